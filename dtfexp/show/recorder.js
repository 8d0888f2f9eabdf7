// The recording form at the press. It decides nothing: what to show comes from the kernel
// (form.py), and a save is one message with every field and an id made here (recording.py).
// Promise kept here: "Saved" is shown only after the kernel's answer; silence is said in red;
// what was typed stays in the browser's memory until it is on the disk.

const PATIENCE = 2500; // ms without an answer before "NOT SAVED"
const LOOK = 8000; // ms between looks at what another window saved

const newId = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");

function make(tag, traits = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(traits)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name in node && name !== "list") node[name] = value;
    else if (value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== ""));
  return node;
}

function memory(book) {
  // A private window may refuse storage: the form then works, without surviving a reload.
  const held = new Map();
  const place = (name) => `dtfexp:${book}:${name}`;
  return {
    get(name) {
      try {
        const text = localStorage.getItem(place(name));
        return text === null ? held.get(name) : JSON.parse(text);
      } catch { return held.get(name); }
    },
    set(name, value) {
      held.set(name, value);
      try { localStorage.setItem(place(name), JSON.stringify(value)); } catch { /* held above */ }
    },
    drop(name) {
      held.delete(name);
      try { localStorage.removeItem(place(name)); } catch { /* held above */ }
    },
  };
}

const blank = (draft) =>
  !Object.keys(draft.grades).length && !Object.keys(draft.actual).length &&
  draft.defects === undefined && draft.note === undefined;

function render({ model, el }) {
  let state = model.get("state");
  const store = memory(state.key);
  const ui = { view: "press", press: null, ask: null, trial: null, more: false, reached: false, ...store.get("ui") };
  const pending = new Map();
  let said = { kind: "", text: "", undo: null };
  let history = null;

  const press = (number) => state.presses.find((p) => p.press === number);
  const draftOf = (name) => store.get(name) ?? { id: newId(), sent: false, grades: {}, actual: {} };
  const keepUi = () => store.set("ui", ui);

  function edit(name, change) {
    const draft = draftOf(name);
    // Once sent, an entry may be in the book: what is changed afterwards is a new entry.
    if (draft.sent) Object.assign(draft, { id: newId(), sent: false });
    change(draft);
    if (blank(draft)) store.drop(name); else store.set(name, draft);
    if (said.kind !== "busy") said = { kind: "", text: "", undo: null };
  }

  function forgetArrived() {
    for (const p of state.presses) {
      for (const name of [`p${p.press}`, `w${p.press}`]) {
        const draft = store.get(name);
        if (draft && state.recent.includes(draft.id)) store.drop(name);
      }
    }
    if (ui.trial && state.recent.includes(ui.trial.id)) ui.trial = null;
  }

  function comeNext(after) {
    const waiting = state.presses.filter((p) => !p.pressed && p.press !== after);
    const place = press(after)?.place ?? 0;
    const next = waiting.find((p) => p.place > place) ?? waiting[0];
    go(next ? next.press : after);
  }

  function go(number) {
    Object.assign(ui, { press: number, ask: null, view: "press", reached: false });
    history = null;
    keepUi();
  }

  function tell(message, done, quiet = false) {
    const notSaved = () => {
      if (!pending.has(message.id) || quiet) return;
      said = { kind: "bad", undo: null, text: "NOT SAVED: the notebook does not answer. Your entry is " +
        "kept here. Press Save again; if that fails: reload this page, then Run, Run All Cells, Save." };
      draw();
    };
    pending.set(message.id, done);
    setTimeout(notSaved, PATIENCE);
    if (!quiet) { said = { kind: "busy", text: "Saving …", undo: null }; draw(); }
    try { model.send(message); } catch { /* silence is told by the clock above */ }
  }

  function heard(answer) {
    const done = pending.get(answer.id);
    pending.delete(answer.id);
    const before = JSON.stringify(state);
    if (answer.state) { state = answer.state; forgetArrived(); }
    if (done) done(answer);
    // A look that found nothing new must not disturb whoever is typing.
    if (!String(answer.id).startsWith("look") || JSON.stringify(state) !== before) draw();
  }

  const clock = () => new Date().toLocaleTimeString();
  const who = () => store.get("by") ?? "";
  const refuse = (answer) => { said = { kind: "bad", undo: null, text: `NOT SAVED: ${answer.text}` }; };

  function savePress(p) {
    const name = `p${p.press}`;
    const draft = draftOf(name);
    if (!ready(p, draft)) return;
    const { id, grades, actual, defects, note } = { ...draft };
    const message = { op: "record", id, press: p.press, by: who(), grades };
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
    tell(message, (answer) => {
      if (!answer.ok) return refuse(answer);
      const later = store.get(name);
      if (later?.id === id) store.drop(name);
      const changed = later && later.id !== id;
      said = { kind: "good", undo: p.press, text: `Saved ${clock()}: ${answer.text}` +
        (changed ? ". What you changed since is not saved yet" : "") };
      if (ui.press === p.press && !changed) comeNext(p.press);
    });
  }

  function saveMany() {
    const entries = [];
    for (const number of state.waiting) {
      const draft = store.get(`w${number}`);
      if (!draft) continue;
      draft.sent = true;
      store.set(`w${number}`, draft);
      entries.push({ id: draft.id, press: number, grades: draft.grades });
    }
    if (!entries.length) return;
    tell({ op: "grades", id: newId(), by: who(), entries }, (answer) => {
      if (!answer.ok) return refuse(answer);
      for (const entry of entries) {
        const name = `w${entry.press}`;
        if (answer.saved.includes(entry.id) && store.get(name)?.id === entry.id) store.drop(name);
      }
      said = { kind: answer.failed.length ? "bad" : "good", undo: null, text: `Saved ${clock()}: ${answer.text}` };
    });
  }

  function say(op, number, more = {}) {
    // The same try keeps its id, so that asking again after silence cannot act twice.
    const again = ui.trial?.op === op && ui.trial.press === number ? ui.trial.id : newId();
    const id = ui.ask?.op === op ? ui.ask.id : again;
    ui.trial = { op, press: number, id };
    keepUi();
    tell({ op, id, press: number, by: who(), ...more }, (answer) => {
      ui.trial = null;
      if (!answer.ok) return refuse(answer);
      said = { kind: "good", text: `Saved ${clock()}: ${answer.text}`, undo: op === "undo" ? null : number };
      if (op === "exclude") comeNext(number); else go(number);
    });
  }

  const ready = (p, draft) => Object.keys(draft.grades).length > 0 || (p.pressed && !blank(draft));

  // ---- what is drawn ---------------------------------------------------------------------------

  function button(text, key, onclick, traits = {}) {
    return make("button", { type: "button", "data-k": key, onclick, ...traits }, text);
  }

  function statusLine() {
    return make("div", { className: `said ${said.kind}`, role: "status", "aria-live": "polite" }, said.text);
  }

  function gradeButtons(name, outcome, recorded, wordy) {
    const draft = draftOf(name);
    const choose = (value) => {
      edit(name, (d) => { if (d.grades[outcome.name] === value) delete d.grades[outcome.name]; else d.grades[outcome.name] = value; });
      draw();
    };
    if (!outcome.grades.length) {
      return make("input", { "data-k": `${name}:${outcome.name}`, value: draft.grades[outcome.name] ?? "",
        placeholder: outcome.accepted, "aria-label": `${outcome.label}, ${outcome.accepted}`, className: "grow",
        oninput: (e) => { edit(name, (d) => { if (e.target.value.trim()) d.grades[outcome.name] = e.target.value; else delete d.grades[outcome.name]; }); freshen(); } });
    }
    return make("div", { className: wordy ? "grades" : "row" }, outcome.grades.map((grade) =>
      button([make("b", {}, grade.label), wordy ? make("span", {}, grade.sentence) : ""],
        `${name}:${outcome.name}:${grade.label}`, () => choose(grade.value), {
          "aria-pressed": String(draft.grades[outcome.name] === grade.value), title: grade.sentence,
          "aria-label": `${outcome.label} ${grade.label}${grade.sentence ? `: ${grade.sentence}` : ""}`,
          className: recorded === grade.value ? "held" : "",
        })));
  }

  function gradeField(p, outcome) {
    const held = p.grades[outcome.name];
    const scale = outcome.grades.length ? `keys ${outcome.grades[0].label} to ${outcome.grades.at(-1).label}` : outcome.accepted;
    return make("fieldset", { "data-outcome": outcome.name }, make("legend", {}, `${outcome.label} `, make("span", { className: "quiet" },
      held === undefined ? scale : `recorded: ${held} ${outcome.unit}`)), gradeButtons(`p${p.press}`, outcome, held, true));
  }

  function settingsOf(p) {
    return make("div", { className: "settings" }, p.settings.map((s) =>
      make("div", { className: s.was === null ? "setting" : "setting changed" }, s.label, make("b", {}, s.set),
        s.also ? make("span", { className: "quiet" }, `${s.also} `) : "",
        make("span", { className: "quiet was" }, s.was === null ? "" : `change: was ${s.was}`),
        s.reached ? make("div", { className: "quiet" }, `reached ${s.reached}`) : "")));
  }

  function reachedOf(p) {
    const draft = draftOf(`p${p.press}`);
    return make("details", { open: ui.reached },
      make("summary", { "data-k": "reached", onclick: () => { ui.reached = !ui.reached; keepUi(); } }, "What was really reached, if it differed"),
      p.settings.map((s) => make("label", { className: "field" }, make("span", {}, `${s.label}, set to ${s.set}`),
        make("input", { "data-k": `r:${s.name}`, value: draft.actual[s.name] ?? s.reached, autocomplete: "off",
          placeholder: s.unit || s.words.join(" / "), "aria-label": `${s.label} reached`,
          oninput: (e) => { edit(`p${p.press}`, (d) => { if (e.target.value === s.reached) delete d.actual[s.name]; else d.actual[s.name] = e.target.value; }); freshen(); } }),
        make("span", { className: "quiet" }, s.unit ? `in ${s.unit}; another unit if you write it` : ""))));
  }

  function defectsOf(p) {
    const chosen = draftOf(`p${p.press}`).defects ?? p.defects;
    const words = [...state.defects, ...p.defects.filter((word) => !state.defects.includes(word))];
    return make("fieldset", {}, make("legend", {}, "seen on the coupon"), make("div", { className: "row" }, words.map((word) =>
      button(word, `d:${word}`, () => {
        const now = chosen.includes(word) ? chosen.filter((w) => w !== word) : [...chosen, word];
        edit(`p${p.press}`, (d) => { if (now.join() === p.defects.join()) delete d.defects; else d.defects = now; });
        draw();
      }, { "aria-pressed": String(chosen.includes(word)) }))));
  }

  function askFor(p) {
    const words = { exclude: "Why is this press left out of the fit?", redo: "Why is it made again?" };
    const start = (op) => () => { ui.ask = { op, id: newId(), text: "" }; keepUi(); draw(); el.querySelector("[data-k=reason]")?.focus(); };
    const parts = [make("div", { className: "row" },
      button("Leave out of the fit …", "exclude", start("exclude"), { disabled: p.excluded }),
      p.excluded ? button("Take back in", "include", () => say("include", p.press)) : "",
      button("Make again on a spare coupon …", "redo", start("redo"), { disabled: !p.pressed }),
      button("Undo the last entry", "undo", () => say("undo", p.press), { disabled: !p.pressed }),
      button("History", "history", () => tell({ op: "history", id: newId(), press: p.press },
        (answer) => { if (answer.ok) { history = answer.history; said = { kind: "", text: "", undo: null }; } else refuse(answer); })))];
    if (ui.ask) {
      const { op } = ui.ask;
      parts.push(make("div", { className: "row" },
        make("input", { className: "grow", "data-k": "reason", value: ui.ask.text, placeholder: words[op], "aria-label": words[op],
          oninput: (e) => { ui.ask.text = e.target.value; ui.ask.id = newId(); keepUi(); freshen(); } }),
        button(op === "exclude" ? "Leave it out" : "Make it again", "ask", () => say(op, p.press, { reason: ui.ask.text }), { disabled: !ui.ask.text.trim() })));
    }
    if (history) {
      parts.push(make("table", { className: "lines" }, history.length
        ? history.map((line) => make("tr", {}, [line.time, line.by, line.said].map((text) => make("td", {}, text))))
        : make("tr", {}, make("td", {}, "Nothing was recorded of this press yet."))));
    }
    return make("details", { open: ui.more },
      make("summary", { "data-k": "more", onclick: () => { ui.more = !ui.more; keepUi(); } }, "Spoiled, do again, undo, history"), parts);
  }

  function pressView() {
    const p = press(ui.press);
    if (!p) return [make("p", {}, "No test press is planned yet. Make a plan first (1_plan).")];
    const name = `p${p.press}`;
    const atPress = state.outcomes.filter((o) => o.washes === null);
    const shown = p.pressed || !atPress.length ? state.outcomes : atPress;
    const done = state.presses.filter((other) => other.pressed).length;
    const open = state.presses.filter((other) => !other.pressed && other !== p);
    const then = open.find((other) => other.place > p.place) ?? open[0];
    const around = (by) => { go(state.presses[(p.place - 1 + by + state.presses.length) % state.presses.length].press); draw(); };
    const now = p.excluded ? "left out of the fit" : p.pressed ? "recorded; saving again corrects it" : p.press === state.next ? "next" : "not pressed yet";
    return [
      make("div", { className: "row quiet" }, `${done} of ${state.presses.length} presses recorded · oven load ${p.load} · press round ${p.round}`),
      make("div", { className: "row" }, make("p", { className: "now grow" }, `Press ${p.press}: ${p.fabric} `, make("span", { className: "quiet" }, now)),
        button("Before", "before", () => around(-1)), button(p.pressed ? "After" : "Skip", "after", () => around(1)),
        make("select", { "data-k": "goto", "aria-label": "go to press", onchange: (e) => { go(Number(e.target.value)); draw(); } },
          state.presses.map((o) => make("option", { value: o.press, selected: o === p }, `${o.press} ${o.excluded ? "out" : o.pressed ? "✓" : ""}`)))),
      settingsOf(p),
      make("p", { className: "quiet" }, then ? `Next: press ${then.press}, ${then.fabric}, ${then.settings.map((s) => s.set).join(" · ")}` : "Next: none, every other press is made."),
      shown.map((outcome) => gradeField(p, outcome)),
      // Above the rest, so that settings, grades and Save stand on one screen of a tablet.
      make("div", { className: "row" }, button(`Save press ${p.press}`, "save", () => savePress(p), { className: "save", disabled: !ready(p, draftOf(name)) }),
        statusLine(), said.undo === null ? "" : button(`Undo press ${said.undo}`, "undo-saved", () => say("undo", said.undo))),
      defectsOf(p),
      make("div", { className: "row" }, make("input", { className: "grow", "data-k": "note", placeholder: "note", "aria-label": "note",
        value: draftOf(name).note ?? p.note, oninput: (e) => { edit(name, (d) => { if (e.target.value === p.note) delete d.note; else d.note = e.target.value; }); freshen(); } })),
      reachedOf(p),
      askFor(p),
    ];
  }

  function washView() {
    const rows = state.waiting.map(press);
    const legend = state.outcomes.filter((o) => rows.some((p) => p.waiting.includes(o.name)));
    const find = make("input", { "data-k": "find", inputMode: "numeric", placeholder: "coupon number", "aria-label": "find a coupon by its number",
      onkeydown: (e) => { if (e.key === "Enter") look(Number(e.target.value)); } });
    const look = (number) => {
      const row = el.querySelector(`[data-coupon="${number}"]`);
      if (row) { row.scrollIntoView({ block: "center" }); row.querySelector("button, input")?.focus(); return; }
      const p = press(number);
      if (p) go(number);
      said = { kind: "", undo: null, text: p ? "" : `There is no press ${number} in this book.` };
      draw();
    };
    const chosen = rows.filter((p) => store.get(`w${p.press}`)).length;
    const saveRow = make("div", { className: "row" }, button(`Save ${chosen || ""} grades`.replace("  ", " "), "save", saveMany, { className: "save", disabled: !chosen }), statusLine());
    if (!rows.length) return [make("p", {}, "No coupon is waiting for a grade."), statusLine()];
    return [
      make("div", { className: "row" }, find, button("Find", "look", () => look(Number(find.value))),
        make("span", { className: "quiet" }, `${rows.length} coupons wait for a grade; they are numbered by press.`)),
      saveRow,
      legend.map((o) => make("details", {}, make("summary", { "data-k": `guide:${o.name}` }, `What the grades of ${o.label} mean${o.washes ? ` (after ${o.washes} washes)` : ""}`),
        make("table", { className: "lines" }, o.grades.map((g) => make("tr", {}, make("td", {}, make("b", {}, g.label)), make("td", {}, g.sentence)))))),
      rows.map((p) => make("div", { className: "coupon", "data-coupon": p.press }, p.waiting.map((wanted) => {
        const outcome = state.outcomes.find((o) => o.name === wanted);
        const value = draftOf(`w${p.press}`).grades[wanted];
        return make("fieldset", { className: "row", "data-outcome": wanted }, make("span", { className: "grow" }, make("b", {}, `Press ${p.press}`), ` ${p.fabric}, ${outcome.label}`,
          make("div", { className: "quiet" }, outcome.grades.find((g) => g.value === value)?.sentence ?? "")), gradeButtons(`w${p.press}`, outcome, undefined, false));
      }))),
    ];
  }

  function tab(view, text) {
    return button(text, `tab:${view}`, () => { ui.view = view; keepUi(); said = { kind: "", text: "", undo: null }; draw(); },
      { "aria-pressed": String(ui.view === view) });
  }

  function draw() {
    if (!press(ui.press)) { ui.press = state.next ?? state.presses.at(-1)?.press ?? null; }
    const active = el.contains(document.activeElement) ? document.activeElement : null;
    const key = active?.getAttribute("data-k");
    const caret = active && active.tagName === "INPUT" ? active.selectionStart : null;
    root.replaceChildren(
      make("div", { className: "row" }, tab("press", "At the press"), tab("wash", `Waiting for wash (${state.waiting.length})`), make("span", { className: "grow quiet" }, state.session),
        make("input", { "data-k": "by", value: who(), placeholder: "recorded by", "aria-label": "recorded by", size: 12, oninput: (e) => store.set("by", e.target.value) })),
      ...(ui.view === "wash" ? washView() : pressView()).flat(Infinity).filter((part) => part !== ""));
    if (!key) return;
    const again = [...root.querySelectorAll("[data-k]")].find((node) => node.getAttribute("data-k") === key && !node.disabled);
    // Never on to a grade of the next press: Enter held too long would choose it.
    (again ?? root).focus({ preventScroll: true });
    if (again && caret !== null) again.setSelectionRange(caret, caret);
  }

  function freshen() {
    // While someone types only the buttons that depend on it change; the field keeps its caret.
    const save = root.querySelector("[data-k=save]");
    const p = press(ui.press);
    if (save && ui.view === "press" && p) save.disabled = !ready(p, draftOf(`p${p.press}`));
    if (save && ui.view === "wash") save.disabled = !state.waiting.some((n) => store.get(`w${n}`));
    const ask = root.querySelector("[data-k=ask]");
    if (ask && ui.ask) ask.disabled = !ui.ask.text.trim();
  }

  function saveNow() {
    if (ui.view === "wash") saveMany(); else if (press(ui.press)) savePress(press(ui.press));
  }

  function keyed(event) {
    if (event.ctrlKey || event.metaKey) {
      if (event.key !== "Enter" && event.key !== "s") return;
      event.preventDefault();
      saveNow();
    } else if (event.key === "Enter" && event.target.matches("[data-outcome] [aria-pressed=true], [data-outcome] input, [data-k=note], .field input")) {
      // A grade already chosen has nothing left to press: Enter goes on and saves.
      event.preventDefault();
      if (!event.repeat) saveNow();
    } else if (/^[0-9]$/.test(event.key) && !["INPUT", "SELECT"].includes(event.target.tagName)) {
      const fields = [...root.querySelectorAll("[data-outcome]")];
      const field = event.target.closest("[data-outcome]") ?? fields.find((f) => !f.querySelector("[aria-pressed=true]"));
      const choice = [...(field?.querySelectorAll("button") ?? [])].find((b) => b.querySelector("b")?.textContent === event.key);
      if (choice) { choice.focus(); choice.click(); }
    }
    event.stopPropagation();
  }

  // Jupyter's one-letter commands (a, b, dd …) must not act on cells while the form is used.
  const root = make("div", { className: "dtfexp-rec", tabIndex: -1, "data-lm-suppress-shortcuts": "true", onkeydown: keyed });
  el.append(root);
  const refresh = () => {
    if (document.hidden || [...pending.keys()].some((id) => id.startsWith("look"))) return;
    tell({ op: "refresh", id: `look${newId()}` }, () => {}, true);
  };
  const timer = setInterval(refresh, LOOK);
  document.addEventListener("visibilitychange", refresh);
  model.on("msg:custom", heard);
  forgetArrived();
  // Come back to the press that was open, unless it has been recorded meanwhile and has no draft.
  const last = press(ui.press);
  if (!last || (last.pressed && !store.get(`p${last.press}`))) ui.press = state.next ?? ui.press;
  draw();
  refresh();
  return () => {
    clearInterval(timer);
    document.removeEventListener("visibilitychange", refresh);
    model.off("msg:custom", heard);
  };
}

export default { render };
