// Part 2: countdowns for cure, rest, press and peel, by the clock on the wall: started once, they
// go on through a reload. Seen as large digits, heard through the browser's own sound.

const RINGS = 30000; // ms a finished countdown rings on, unless silenced
const sound = (globalThis[Symbol.for("dtfexp sound")] ??= { out: null });

function wakeSound() {
  // Browsers play nothing before the page was touched: called on every touch and key.
  try {
    sound.out ??= new AudioContext();
    if (sound.out.state === "suspended") sound.out.resume();
  } catch { /* no sound on this machine: the digits remain */ }
}

function beep(pitch, seconds, after = 0) {
  if (sound.out?.state !== "running") return;
  const at = sound.out.currentTime + after;
  const [tone, loud] = [sound.out.createOscillator(), sound.out.createGain()];
  tone.frequency.value = pitch;
  tone.type = "square";
  loud.gain.setValueAtTime(0.25, at);
  loud.gain.exponentialRampToValueAtTime(0.001, at + seconds);
  tone.connect(loud).connect(sound.out.destination);
  tone.start(at);
  tone.stop(at + seconds);
}

const minutes = (ms) => {
  const whole = Math.floor(ms / 1000);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
};

function phase(run, now) {
  // "idle", "runs", "rings", "over" or "stopped"
  if (!run) return "idle";
  if (run.stopped !== undefined) return "stopped";
  const over = run.seconds === null ? -1 : now - run.started - run.seconds * 1000;
  if (over < 0) return "runs";
  return run.quiet || over > RINGS ? "over" : "rings";
}

function countdownTools(form) {
  const runs = () => form.store.get("clocks") ?? {};
  const heard = new Map(); // key -> what was last sounded
  let awake = null;

  function change(key, run) {
    const all = runs();
    if (run) all[key] = run; else delete all[key];
    form.store.set("clocks", all);
    tick();
  }

  function tap(p, countdown) {
    const now = Date.now();
    const run = runs()[countdown.key];
    const at = mine(run, p, now);
    if (at === "runs") change(countdown.key, { ...run, stopped: now - run.started });
    else if (at === "rings") {
      change(countdown.key, { ...run, quiet: true });
      form.draw(); // elsewhere than at its own stop its tile goes
    }
    else {
      // A cure that is started again does not go on against the rest after it, or a grainy look.
      const against = form.standing(p).filter((one) => countdown.ends !== "cured" || !["rest", "grainy"].includes(one.what));
      if (countdown.ends) form.goOn(p, against);
      // The soft beep at the start shows that the sound is on.
      beep(660, 0.1);
      heard.delete(countdown.key);
      change(countdown.key, { started: now, seconds: countdown.seconds, press: p.press, load: p.oven_load, ends: countdown.ends });
    }
  }

  function cureOn(p, seconds) {
    // Back into the oven: the cure counts down so long, and the rest after it has not begun.
    const cure = p.film_clocks.find((one) => one.ends === "cured");
    const rest = p.film_clocks.find((one) => one.letter === "r");
    if (rest) change(rest.key, null);
    heard.delete(cure.key);
    change(cure.key, { started: Date.now(), seconds, press: p.press, load: p.oven_load, ends: "cured" });
  }

  const curing = (load) => Object.values(runs()).some((run) => run.ends === "cured" && run.load === load && phase(run, Date.now()) === "runs");

  function mine(run, p, now) {
    // What has ended belongs to the press it was started for; what still runs is shown everywhere.
    const at = phase(run, now);
    return run && run.press !== p.press && (at === "over" || at === "stopped") ? "idle" : at;
  }

  function face(p, countdown, now) {
    const run = runs()[countdown.key];
    const at = mine(run, p, now);
    const whole = countdown.seconds === null ? "0:00" : minutes(countdown.seconds * 1000);
    if (at === "idle") return { at, digits: whole, told: `start · ${countdown.hint}` };
    const passed = (run.stopped ?? now - run.started);
    // A countdown reads 0:01 until its last second is over.
    const left = run.seconds === null ? passed : Math.max(0, run.seconds * 1000 - passed + 999);
    const whose = run.press === p.press ? "" : ` (press ${run.press})`;
    if (at === "stopped") return { at, digits: minutes(left), told: "stopped · again" };
    if (at === "over") return { at, digits: "0:00", told: `done · again${whose}` };
    if (at === "rings") return { at, digits: "0:00", told: `DONE · quiet${whose}` };
    return { at, digits: minutes(left), told: (sound.out?.state === "running" ? "stop" : "NO SOUND: touch the page") + whose };
  }

  function tiles(p, atOven) {
    // At the oven the clocks of the film, at the press its own; what runs is seen everywhere.
    const going = (one) => ["runs", "rings"].includes(phase(runs()[one.key], Date.now()));
    const shown = [...p.film_clocks.filter((one) => atOven || going(one)), ...p.countdowns.filter((one) => !atOven || going(one))];
    return make("div", { className: "clocks" }, shown.map((countdown) => {
      const { at, digits, told } = face(p, countdown, Date.now());
      return button([make("span", {}, countdown.label), make("b", {}, digits), make("span", { className: "told" }, told)],
        `clock:${countdown.key}`, () => tap(p, countdown), { className: `clock ${at}`, "data-letter": countdown.letter,
          "aria-label": `${countdown.label} countdown, key ${countdown.letter}` });
    }));
  }

  function sounds(now) {
    for (const [key, run] of Object.entries(runs())) {
      const at = phase(run, now);
      if (run.seconds === null || (at !== "runs" && at !== "rings")) continue;
      const left = Math.ceil((run.seconds * 1000 - (now - run.started)) / 1000);
      // One before each of the last three seconds, then three high ones every two seconds.
      const turn = at === "runs" ? (left <= 3 && left < run.seconds ? left : null) : -1 - Math.floor((now - run.started - run.seconds * 1000) / 2000);
      if (turn === null || heard.get(key) === turn) continue;
      heard.set(key, turn);
      if (at === "runs") beep(880, 0.12); else [0, 0.25, 0.5].forEach((after) => beep(1400, 0.2, after));
    }
  }

  function marks(now) {
    // The end of a cure or a press is noted in the book, which then knows how long ago it was.
    const all = runs();
    for (const run of Object.values(all)) {
      if (!run.ends || run.marked || ["runs", "idle"].includes(phase(run, now))) continue;
      run.marked = true;
      form.store.set("clocks", all);
      const ago = (now - run.started - (run.stopped ?? run.seconds * 1000)) / 1000;
      const of = run.ends === "cured" ? { load: run.load } : { press: run.press };
      form.tell({ op: "mark", id: newId(), step: run.ends, ago, by: form.who(), ...of }, () => {}, { quiet: true });
    }
  }

  function tick() {
    const now = Date.now();
    sounds(now);
    marks(now);
    const p = form.shown();
    for (const countdown of p ? [...p.film_clocks, ...p.countdowns] : []) {
      const tile = form.find(`clock:${countdown.key}`);
      if (!tile) continue;
      const { at, digits, told } = face(p, countdown, now);
      tile.className = `clock ${at}`;
      tile.querySelector("b").textContent = digits;
      tile.querySelector(".told").textContent = told;
    }
    stayAwake(Object.values(runs()).some((run) => phase(run, now) === "runs"));
  }

  async function stayAwake(wanted) {
    // A tablet must not go dark in the middle of a cure; not every browser can be asked.
    if (wanted === (awake !== null) || !navigator.wakeLock || document.hidden) return;
    if (!wanted) { awake.release?.(); awake = null; return; }
    awake = {};
    try { awake = await navigator.wakeLock.request("screen"); } catch { /* it may go dark */ }
    awake.addEventListener?.("release", () => { awake = null; });
  }

  return { tiles, tick, cureOn, curing };
}
