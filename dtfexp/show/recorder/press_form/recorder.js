// Part 7: the form. It decides nothing: what to show comes from the kernel (form.py), and a save is
// one message with every field and an id made here (recording.py). Promise kept here: "Saved" is
// shown only after the kernel's answer; silence is said in red; what was typed stays in the
// browser's memory until it is on the disk.

const PATIENCE = 2500; // ms without an answer before "NOT SAVED"
const LOOK = 8000; // ms between looks at what another window saved
const TYPED = 1200; // ms in which digits make one grade: "1" "0" is 10, "4" "." is 4.5

const blank = (draft) =>
  !Object.keys(draft.grades).length && !Object.keys(draft.actual).length &&
  draft.defects === undefined && draft.note === undefined;

function render({ model, el }) {
  const first = model.get("state");
  const store = memory(first.key);
  const pending = new Map();
  const silence = { kind: "", text: "", undo: null };
  let asking = 0;
  let typed = { text: "", at: 0, field: "" };
  const form = {
    state: first, store, said: silence, history: null, warned: null, asked: null,
    ui: { view: "press", press: null, curing: null, ask: null, trial: null, more: false, reached: false, ...store.get("ui") },
    press: (number) => form.state.presses.find((p) => p.press === number),
    shown: () => (form.ui.view === "press" ? form.press(form.ui.press) : undefined),
    // Where the person stands: at the oven with a load, or at the press with a coupon.
    stop: () => form.state.stops.find((one) => (form.ui.curing ? one.load === form.ui.curing : !one.load && one.press === form.ui.press)),
    cureOf: (p) => form.state.stops.find((one) => one.load === p.oven_load),
    following: () => {
      const { stops } = form.state;
      const here = stops.indexOf(form.stop());
      return stops.find((one, place) => place > here && !one.done) ?? stops.find((one, place) => place < here && !one.done);
    },
    find: (key) => [...form.root.querySelectorAll("[data-k]")].find((node) => node.getAttribute("data-k") === key),
    draftOf: (name) => store.get(name) ?? { id: newId(), sent: false, grades: {}, actual: {} },
    keepUi: () => store.set("ui", form.ui),
    who: () => store.get("by") ?? store.last("by") ?? "",
    say(kind, text) { form.said = { kind, text, undo: null }; draw(); },
    refuse: (answer) => { form.said = { kind: "bad", undo: null, text: `NOT SAVED: ${answer.text}` }; },
    ready: (p, draft) => Object.keys(draft.grades).length > 0 || (p.pressed && !blank(draft)),
    // A coupon graded elsewhere meanwhile stays in the list while a grade chosen here is not saved.
    washRows: () => form.state.presses.filter((p) => form.state.waiting.includes(p.press) || store.get(`w${p.press}`)),
    statusLine: () => make("div", { className: `said ${form.said.kind}`, role: "status", "aria-live": "polite" }, form.said.text),
    edit, go, goTo, comeNext, tell, act, answer, savePress, saveMany, lookBack, draw, freshen, standing, goOn,
  };
  form.tries = sameTry();
  form.countdowns = countdownTools(form);
  form.photos = photoTools(form);
  form.pictures = pictureTools(form);
  const { ui } = form;

  function edit(name, change) {
    const draft = form.draftOf(name);
    // Once sent, an entry may be in the book: what is changed afterwards is a new entry.
    if (draft.sent) Object.assign(draft, { id: newId(), sent: false });
    change(draft);
    if (blank(draft)) store.drop(name); else store.set(name, draft);
    if (form.said.kind !== "busy") form.said = silence;
  }

  function forgetArrived() {
    for (const p of form.state.presses) {
      for (const name of [`p${p.press}`, `w${p.press}`]) {
        const draft = store.get(name);
        if (draft && form.state.recent.includes(draft.id)) store.drop(name);
      }
    }
    if (ui.trial && form.state.recent.includes(ui.trial.id)) ui.trial = null;
  }

  function comeNext() {
    const next = form.following();
    if (next) goTo(next); else go(ui.press);
  }

  function goTo(stop) { go(stop.press, stop.load || null); }

  function go(number, load = null) {
    Object.assign(ui, { press: number, curing: load, ask: null, view: "press", reached: false });
    form.history = null;
    form.asked = null;
    form.keepUi();
    // What stands against this press; not for one that is passed by at once.
    clearTimeout(asking);
    asking = setTimeout(look, 100);
  }

  function standing(p) {
    // The warnings against this press that waiting has not cleared and nobody has gone on against.
    if (form.warned?.press !== p.press) return [];
    const passed = (Date.now() - form.warned.heard) / 1000;
    return form.warned.warnings.filter((one) => !one.overridden && (one.left === null || one.left > passed));
  }

  const shown = (warnings) => warnings.map(({ what, says }) => ({ what, says }));

  function goOn(p, warnings) {
    if (warnings.length) act("override", p.press, { overridden: shown(warnings) });
  }

  function tell(message, done, { quiet = false, attached = [], patience = PATIENCE, again = "Press Save again" } = {}) {
    const notSaved = () => {
      if (!pending.has(message.id) || quiet) return;
      form.say("bad", `NOT SAVED: the notebook does not answer. Your entry is kept here. ${again}; ` +
        "if that fails: reload this page, then Run, Run All Cells, and again.");
    };
    if (ui.view === "press") message.shown = ui.press;
    pending.set(message.id, done);
    setTimeout(notSaved, patience);
    if (!quiet) form.say("busy", "Saving …");
    try { model.send(message, undefined, attached); } catch { /* the clock above reports silence */ }
  }

  function heard(answer) {
    const done = pending.get(answer.id);
    pending.delete(answer.id);
    const before = told();
    if (answer.state) { form.state = answer.state; forgetArrived(); }
    if (answer.warned) form.warned = { ...answer.warned, heard: Date.now() };
    if (done) done(answer);
    // A look that found nothing new must not disturb whoever is typing.
    if (!String(answer.id).startsWith("look") || told() !== before) draw();
  }

  const told = () => JSON.stringify([form.state, form.warned?.press, form.warned?.steps,
    form.warned?.warnings.map((one) => [one.says, one.overridden])]);

  function savePress(p) {
    const name = `p${p.press}`;
    const draft = form.draftOf(name);
    if (!form.ready(p, draft)) return;
    const { id, grades, actual, defects, note, answers } = { ...draft };
    const message = { op: "record", id, press: p.press, by: form.who(), grades, overridden: shown(standing(p)), answers: answers ?? [] };
    // An emptied field takes back what was said before; one that never said anything says nothing.
    message.actual = {};
    for (const [factor, text] of Object.entries(actual)) {
      const before = p.settings.find((s) => s.name === factor).reached;
      if (text.trim() || before) message.actual[factor] = text.trim() || null;
    }
    if (defects !== undefined) message.defects = defects.length ? defects : null;
    if (note !== undefined) message.note = note.trim() || (p.note ? null : "");
    draft.sent = true;
    store.set(name, draft);
    form.asked = null;
    tell(message, (answer) => {
      if (!answer.ok) {
        if (answer.ask) {
          form.asked = { press: p.press, questions: answer.ask };
          answer.text = "is this reading right? See the question.";
        }
        return form.refuse(answer);
      }
      const later = store.get(name);
      if (later?.id === id) store.drop(name);
      const changed = later && later.id !== id;
      const past = answer.past ?? [];
      form.said = { kind: past.length ? "past" : "good", undo: p.press, text: `Saved ${clock()}: ${answer.text}` +
        past.map((line) => `. PAST THE LIMIT: ${line}`).join("") + (changed ? ". What you changed since is not saved yet" : "") };
      if (ui.press === p.press && !ui.curing && !changed) comeNext();
    });
  }

  function answer(p, question, said) {
    // "kept" keeps the reading as it was typed; anything else is what was meant instead.
    edit(`p${p.press}`, (draft) => {
      if (said !== "kept") draft.actual[question.factor] = said;
      const others = (draft.answers ?? []).filter((one) => one.factor !== question.factor);
      draft.answers = [...others, { factor: question.factor, says: question.says, answer: said }];
    });
    savePress(p);
  }

  function saveMany() {
    const entries = [];
    for (const { press } of form.washRows()) {
      const draft = store.get(`w${press}`);
      if (!draft) continue;
      draft.sent = true;
      store.set(`w${press}`, draft);
      const { id, grades, defects } = draft;
      entries.push({ id, press, grades, ...(defects === undefined ? {} : { defects: defects.length ? defects : null }) });
    }
    if (!entries.length) return;
    tell({ op: "grades", id: newId(), by: form.who(), entries }, (answer) => {
      if (!answer.ok) return form.refuse(answer);
      for (const entry of entries) {
        const name = `w${entry.press}`;
        if (answer.saved.includes(entry.id) && store.get(name)?.id === entry.id) store.drop(name);
      }
      form.said = { kind: answer.failed.length ? "bad" : "good", undo: null, text: `Saved ${clock()}: ${answer.text}` };
    });
  }

  function act(op, number, more = {}) {
    // A try as in sameTry, but one that outlives a reload.
    const what = JSON.stringify([op, number, more]);
    const again = ui.trial?.what === what ? ui.trial.id : newId();
    const id = ui.ask?.op === op ? ui.ask.id : again;
    ui.trial = { what, id };
    form.keepUi();
    tell({ op, id, press: number, by: form.who(), ...more }, (answer) => {
      ui.trial = null;
      if (!answer.ok) return form.refuse(answer);
      const undo = ["exclude", "include", "redo"].includes(op) ? number : null;
      form.said = { kind: "good", text: `Saved ${clock()}: ${answer.text}`, undo };
      if (op === "exclude" || (op === "look" && form.stop()?.done)) comeNext();
      else if (!["override", "mark", "look", "forget look"].includes(op)) go(number);
    });
  }

  function look() {
    tell({ op: "refresh", id: `look${newId()}` }, () => {}, { quiet: true });
  }

  function lookBack(p) {
    tell({ op: "history", id: newId(), press: p.press }, (answer) => {
      if (!answer.ok) return form.refuse(answer);
      form.history = { lines: answer.history, photos: answer.photos };
      form.said = silence;
    });
  }

  function tab(view, text) {
    return button(text, `tab:${view}`, () => { ui.view = view; form.keepUi(); form.said = silence; draw(); },
      { "aria-pressed": String(ui.view === view) });
  }

  function firstOpen() {
    const { stops } = form.state;
    const stop = stops.find((one) => !one.done) ?? stops.at(-1);
    ui.press = stop?.press ?? null;
    ui.curing = stop?.load || null;
  }

  function wholeScreen() {
    // The page around the form takes a third of a tablet's screen.
    if (!document.fullscreenEnabled) return "";
    const full = document.fullscreenElement === form.root;
    return button(full ? "Back to the page" : "Full screen", "full", () => (full ? document.exitFullscreen() : form.root.requestFullscreen()));
  }

  function draw() {
    if (finger.putsOff()) return;
    if (!form.press(ui.press) || !form.stop()) firstOpen();
    const p = form.press(ui.press);
    const active = el.contains(document.activeElement) ? document.activeElement : null;
    const key = active?.getAttribute("data-k");
    const marked = active && active.tagName === "INPUT" ? [active.selectionStart, active.selectionEnd] : null;
    const view = ui.view === "wash" ? washView(form)
      : p ? (ui.curing ? cureView(form, p, form.stop()) : pressView(form, p)) : [make("p", {}, "No test press is planned yet. Make a plan first (1_plan).")];
    form.root.replaceChildren(
      make("div", { className: "row tabs" }, tab("press", "At the press"), tab("wash", `Waiting for wash (${form.state.waiting.length})`), make("span", { className: "grow quiet session" }, form.state.session),
        make("input", { "data-k": "by", value: form.who(), placeholder: "recorded by", "aria-label": "recorded by", size: 12, oninput: (e) => { store.set("by", e.target.value); store.last("by", e.target.value); } }), wholeScreen()),
      ...view.flat(Infinity).filter((part) => part !== ""));
    if (!key) return;
    const again = form.find(key);
    // Never on to a grade of the next press: Enter held too long would choose it.
    (again && !again.disabled ? again : form.root).focus({ preventScroll: true });
    if (again && marked?.[0] != null) again.setSelectionRange(...marked);
  }

  function freshen() {
    // While someone types only the buttons that depend on it change; the field keeps its caret.
    const p = form.shown();
    const able = p ? form.ready(p, form.draftOf(`p${p.press}`)) : form.washRows().some((row) => store.get(`w${row.press}`));
    for (const save of form.root.querySelectorAll(".save")) save.disabled = !able;
    const ask = form.find("ask");
    if (ask && ui.ask) ask.disabled = !ui.ask.text.trim();
  }

  // ---- without a mouse -------------------------------------------------------------------------

  function saveNow() {
    if (ui.view !== "wash") { if (form.shown()) savePress(form.shown()); return; }
    saveMany();
    // On to the next coupon of the pile.
    form.find("find")?.focus({ preventScroll: true });
  }

  function typeGrade(event) {
    const fields = [...form.root.querySelectorAll("[data-outcome]")];
    const field = event.target.closest("[data-outcome]") ?? fields.find((f) => !f.querySelector("[aria-pressed=true]"));
    const choices = [...(field?.querySelectorAll("button[data-k]") ?? [])];
    if (!choices.length) return;
    const place = choices[0].getAttribute("data-k");
    const key = event.key === "," ? "." : event.key;
    const longer = typed.field === place && Date.now() - typed.at < TYPED ? typed.text + key : key;
    const label = (choice) => choice.querySelector("b").textContent;
    for (const text of [longer, key]) {
      const choice = choices.find((one) => label(one) === text) ?? (text.endsWith(".") ? choices.find((one) => label(one).startsWith(text)) : undefined);
      if (!choice) continue;
      typed = { text, at: Date.now(), field: place };
      choice.focus();
      if (choice.getAttribute("aria-pressed") !== "true") choice.click();
      return;
    }
  }

  function alongGrades(event) {
    const row = event.target.closest("[data-outcome]");
    const choices = [...(row?.querySelectorAll("button[aria-pressed]") ?? [])];
    const place = choices.indexOf(event.target);
    if (place < 0) return;
    event.preventDefault();
    choices[(place + (event.key === "ArrowRight" ? 1 : choices.length - 1)) % choices.length].focus();
  }

  function keyed(event) {
    wakeSound();
    const typing = ["INPUT", "SELECT"].includes(event.target.tagName);
    if (event.ctrlKey || event.metaKey) {
      if (event.key !== "Enter" && event.key !== "s") return;
      event.preventDefault();
      saveNow();
    } else if (event.key === "Enter" && event.target.matches("[data-outcome] [aria-pressed=true], [data-outcome] input, [data-k=note], .field input")) {
      // A grade already chosen has nothing left to press: Enter goes on and saves.
      event.preventDefault();
      if (!event.repeat) saveNow();
    } else if (/^[0-9.,]$/.test(event.key) && !typing) {
      typeGrade(event);
    } else if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
      if (!typing) alongGrades(event);
    } else if (/^[a-z]$/.test(event.key) && !typing && !event.repeat && !event.altKey) {
      form.root.querySelector(`.clock[data-letter="${event.key}"]`)?.click();
    }
    event.stopPropagation();
  }

  // Jupyter's one-letter commands (a, b, dd …) must not act on cells while the form is used.
  form.root = make("div", { className: "dtfexp-rec", tabIndex: -1, "data-lm-suppress-shortcuts": "true", onkeydown: keyed, onpointerdown: wakeSound });
  const finger = underFinger(form.root, draw);
  el.append(form.root, form.photos.input, form.pictures.input);
  const refresh = () => {
    if (!document.hidden && ![...pending.keys()].some((id) => id.startsWith("look"))) look();
  };
  const resume = () => {
    forgetArrived();
    // Come back to where one stood, unless that is done meanwhile and nothing is begun there.
    const last = form.stop();
    // Nothing waits for a wash any more: the next presses are what the form is opened for.
    if (!form.state.waiting.length) ui.view = "press";
    if (!last || (last.done && (ui.curing || !store.get(`p${last.press}`)))) firstOpen();
    draw();
    form.photos.resend();
  };
  let stood = 0;
  const tick = () => {
    form.countdowns.tick();
    // A warning that waiting has cleared goes by itself.
    const now = form.shown() ? standing(form.shown()).length : 0;
    if (now < stood) draw();
    stood = now;
  };
  const timers = [setInterval(refresh, LOOK), setInterval(tick, 200)];
  document.addEventListener("visibilitychange", refresh);
  form.root.addEventListener("fullscreenchange", draw);
  model.on("msg:custom", heard);
  const hangUp = rollCall(draw, (living) => {
    if (!store.takeOver(living)) return;
    const begun = form.state.presses.find((p) => store.get(`p${p.press}`));
    if (begun && !store.get(`p${ui.press}`)) go(begun.press);
    resume();
  });
  resume();
  refresh();
  return () => {
    timers.forEach(clearInterval);
    clearTimeout(asking);
    hangUp();
    finger.end();
    document.removeEventListener("visibilitychange", refresh);
    model.off("msg:custom", heard);
  };
}

export default { render };
