// A form of fields: what it shows is the kernel's state, and a tap is one message with an id made
// here. What was typed stays in the browser's memory until the kernel has answered.

const PATIENCE = 4000; // ms without an answer before "NOT SAVED": a plan takes a second or two
const PAUSE = 700; // ms without a key before what is typed is looked at

function render({ model, el }) {
  let state = model.get("state");
  const store = memory(`form:${state.key}`);
  const pending = new Map();
  const tries = sameTry();
  let said = { kind: "", text: "", at: "" };
  const open = {};
  let pause = null;

  const typed = (field) => store.get(field.key) ?? field.value;

  function tell(message, place, done) {
    const what = JSON.stringify(message);
    const id = tries.id(what);
    pending.set(id, (answer) => { tries.over(what); done(answer); });
    setTimeout(() => {
      if (!pending.has(id)) return;
      said = { kind: "bad", at: place, text: "NOT SAVED: the notebook does not answer. What you typed is kept here. Try again; if that fails: reload this page, then Run, Run All Cells." };
      draw();
    }, message.op === "plan" ? 60000 : PATIENCE);
    try { model.send({ ...message, id, by: store.last("by") ?? "" }); } catch { /* the clock above reports silence */ }
  }

  function heard(answer) {
    const done = pending.get(answer.id);
    pending.delete(answer.id);
    if (answer.state) state = answer.state;
    if (done) done(answer);
    draw();
  }

  function put(field, text) {
    store.set(field.key, text);
    if (!state.live) return;
    tell({ op: "put", key: field.key, value: text }, "", (answer) => {
      if (store.get(field.key) === text) store.drop(field.key);
      said = answer.ok ? { kind: "", text: "", at: "" } : { kind: "bad", text: answer.text, at: "" };
    });
  }

  function act(section, op, more = {}) {
    // As they are now: an answer may have come since the button was drawn.
    const now = state.sections.find((one) => one.title === section.title) ?? section;
    const fields = section.fields ? now.fields ?? [] : [];
    const values = Object.fromEntries(fields.map((field) => [field.key, typed(field)]));
    said = { kind: "busy", text: "Saving …", at: section.title };
    draw();
    tell({ op, values, today: state.today, ...more }, section.title, (answer) => {
      said = { kind: answer.ok ? "good" : "bad", at: section.title, text: answer.ok ? `Saved ${clock()}: ${answer.text}` : `NOT SAVED: ${answer.text}` };
      if (answer.ok) for (const field of fields) store.drop(field.key);
    });
  }

  function control(field) {
    const now = typed(field);
    if (field.choices?.length) {
      const parts = field.several ? now.split(/[\s,;]+/).filter(Boolean) : [now];
      return make("div", { className: "row", role: "group", "aria-label": field.label }, field.choices.map((word) => button(word, `${field.key}:${word}`, () => {
        const chosen = field.several ? field.choices.filter((one) => (one === word) !== parts.includes(one)).join(" ") : word;
        put(field, chosen);
        draw();
      }, { "aria-pressed": String(parts.includes(word)) })));
    }
    const many = field.kind === "lines";
    return make(many ? "textarea" : "input", { "data-k": field.key, id: `dtfexp:${state.key}:${field.key}`, value: now, placeholder: field.hint ?? "", autocomplete: "off",
      ...(field.kind === "date" ? { type: "date" } : {}),
      oninput: (e) => {
        store.set(field.key, e.target.value);
        clearTimeout(pause);
        if (state.live) pause = setTimeout(() => put(field, e.target.value), PAUSE);
      },
      onchange: (e) => { clearTimeout(pause); put(field, e.target.value); } });
  }

  function box(section, field) {
    return make("div", { className: `box ${field.wide ? "wide" : ""} ${field.refused ? "refused" : ""}` },
      make("label", field.choices?.length ? {} : { htmlFor: `dtfexp:${state.key}:${field.key}` }, field.label),
      control(field),
      field.refused ? make("div", { className: "why", role: "alert" }, field.refused) : "",
      field.note ? make("div", { className: "note" }, field.note) : "",
      field.help ? make("div", { className: "quiet" }, field.help) : "",
      field.remove ? button(field.remove, `remove:${field.key}`, () => { store.drop(field.key); act(section, "remove", { key: field.key }); }) : "");
  }

  function part(section) {
    const busy = said.at === section.title && said.text;
    return make("fieldset", { "data-section": section.title }, make("legend", {}, section.title),
      (section.lines ?? []).map((line) => make("p", {}, Array.isArray(line) ? [make("b", {}, line[0]), ` ${line[1]}`] : line)),
      section.fields?.length ? make("div", { className: "boxes" }, section.fields.map((field) => box(section, field))) : "",
      section.buttons?.length || busy ? make("div", { className: "row" }, (section.buttons ?? []).map((one) => button(one.label, `do:${one.op}`, () => act(section, one.op), { className: "save", disabled: Boolean(one.off), title: one.off })),
        make("div", { className: `said ${busy ? said.kind : ""}`, role: "status", "aria-live": "polite" }, busy ? said.text : (section.buttons ?? []).map((one) => one.off).find(Boolean) ?? "")) : "",
      section.rows?.length ? make("div", { className: "listed" }, section.rows.map((one) => make("div", { className: "row" }, make("span", { className: "grow" }, one.says, " ", make("span", { className: "quiet" }, one.when)),
        one.op ? button(one.label, `${one.op}:${one.id}`, () => act({ title: section.title }, one.op, { of: one.id })) : ""))) : "",
      section.text ? make("details", { open: open[section.title] ?? false }, make("summary", { onclick: () => { open[section.title] = !open[section.title]; } }, section.summary), make("pre", {}, section.text)) : "");
  }

  // A form left open over midnight asks for the new day, which it then offers.
  const localDay = () => { const now = new Date(); return `${now.getFullYear()}-${String(now.getMonth() + 1).padStart(2, "0")}-${String(now.getDate()).padStart(2, "0")}`; };
  let asked = state.today;
  function look() {
    if (!state.today || asked === localDay()) return;
    asked = localDay();
    try { model.send({ op: "look", id: newId() }); } catch { /* the kernel is told when something is saved */ }
  }
  const daily = setInterval(look, 60000);
  document.addEventListener("visibilitychange", look);

  function draw() {
    if (finger.putsOff()) return;
    const active = el.contains(document.activeElement) ? document.activeElement : null;
    const key = active?.getAttribute("data-k");
    const marked = active && active.tagName === "INPUT" && active.type === "text" ? [active.selectionStart, active.selectionEnd] : null;
    root.replaceChildren(...state.sections.map(part),
      said.at === "" && said.text ? make("div", { className: `said ${said.kind}`, role: "status" }, said.text) : "");
    if (!key) return;
    const again = [...root.querySelectorAll("[data-k]")].find((node) => node.getAttribute("data-k") === key);
    again?.focus({ preventScroll: true });
    if (again && marked) again.setSelectionRange(...marked);
  }

  // Jupyter's one-letter commands (a, b, dd …) must not act on cells while the form is used.
  const root = make("div", { className: "dtfexp-rec dtfexp-form", "data-lm-suppress-shortcuts": "true", onkeydown: (e) => {
    if (e.key === "Enter" && e.target.tagName === "INPUT" && !e.ctrlKey && !e.shiftKey) { e.preventDefault(); e.target.blur(); }
    e.stopPropagation();
  } });
  const finger = underFinger(root, draw);
  el.append(root);
  model.on("msg:custom", heard);
  const hangUp = rollCall(draw, () => {});
  draw();
  look();
  return () => {
    clearInterval(daily);
    document.removeEventListener("visibilitychange", look);
    finger.end();
    hangUp();
    model.off("msg:custom", heard);
  };
}

export default { render };
