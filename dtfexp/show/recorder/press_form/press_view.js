// Part 4: one press at a time: what to set, what changes, the countdowns, the grades.

function defectButtons(form, name, p, offered, key) {
  // One button a sign; what was recorded of this coupon and is not offered stands behind.
  const chosen = form.draftOf(name).defects ?? p.defects;
  const words = [...offered, ...p.defects.filter((word) => !offered.includes(word))];
  return make("div", { className: "row" }, words.map((word) => button(word, key(word), () => {
    const now = chosen.includes(word) ? chosen.filter((w) => w !== word) : [...chosen, word];
    form.edit(name, (d) => { if (now.join() === p.defects.join()) delete d.defects; else d.defects = now; });
    form.draw();
  }, { "aria-pressed": String(chosen.includes(word)) })));
}

function gradeButtons(form, name, outcome, recorded, wordy) {
  const draft = form.draftOf(name);
  const chosen = draft.grades[outcome.name];
  const choose = (value) => {
    form.edit(name, (d) => { if (d.grades[outcome.name] === value) delete d.grades[outcome.name]; else d.grades[outcome.name] = value; });
    form.draw();
  };
  if (!outcome.grades.length) {
    return make("input", { "data-k": `${name}:${outcome.name}`, value: chosen ?? "", placeholder: outcome.accepted,
      "aria-label": `${outcome.label}, ${outcome.accepted}`, className: "grow",
      oninput: (e) => {
        form.edit(name, (d) => { if (e.target.value.trim()) d.grades[outcome.name] = e.target.value; else delete d.grades[outcome.name]; });
        form.freshen();
      } });
  }
  // One stop for Tab in each row of grades; the arrow keys go along it.
  const stop = outcome.grades.find((grade) => grade.value === chosen) ?? outcome.grades[0];
  return make("div", { className: wordy ? "grades" : "row" }, outcome.grades.map((grade) =>
    button([make("b", {}, grade.label), wordy ? make("span", {}, grade.sentence) : ""],
      `${name}:${outcome.name}:${grade.label}`, () => choose(grade.value), {
        "aria-pressed": String(chosen === grade.value), title: grade.sentence, tabIndex: grade === stop ? 0 : -1,
        "aria-label": `${outcome.label} ${grade.label}${grade.sentence ? `: ${grade.sentence}` : ""}`,
        className: recorded === grade.value ? "held" : "",
      })));
}

// What stands at the top of every stop: how far the day is, where one is, what speaks against it.

function progress(form, told) {
  const { stops, presses } = form.state;
  const here = form.stop();
  const done = presses.filter((p) => p.pressed).length;
  return [
    make("div", { className: "row quiet" }, `${done} of ${presses.length} presses recorded · ${told}`),
    make("div", { className: "strip", "aria-hidden": "true" }, stops.map((stop) => make("i", { className: [
      stop === here ? "here" : "", stop.load ? "load" : "", stop.done ? (!stop.load && form.press(stop.press).excluded ? "out" : "done") : ""].join(" ") }))),
  ];
}

function heading(form, title, now, skip) {
  const { stops } = form.state;
  const here = stops.indexOf(form.stop());
  const to = (place) => { form.goTo(stops[(place + stops.length) % stops.length]); form.draw(); };
  const name = (stop) => (stop.load ? `load ${stop.load}` : `${stop.press}`);
  const mark = (stop) => (!stop.done ? "" : !stop.load && form.press(stop.press).excluded ? "out" : "✓");
  return make("div", { className: "row head" },
    make("p", { className: "now grow" }, `${title} `, make("span", { className: "quiet" }, now)),
    button("Before", "before", () => to(here - 1)), button(skip, "after", () => to(here + 1)),
    make("select", { "data-k": "goto", "aria-label": "go to load or press", onchange: (e) => to(stops.findIndex((stop) => name(stop) === e.target.value)) },
      stops.map((stop, place) => make("option", { value: name(stop), selected: place === here }, `${name(stop)} ${mark(stop)}`))));
}

function begun(form, p) {
  const others = form.state.presses.filter((other) => (other !== p || form.ui.curing) && form.store.get(`p${other.press}`));
  if (!others.length) return [];
  return [make("div", { className: "row" }, make("b", {}, "Begun and not saved:"), others.map((other) =>
    button(`Press ${other.press}`, `begun:${other.press}`, () => { form.go(other.press); form.draw(); })))];
}

function warnings(form, p) {
  const gone = (form.warned?.press === p.press ? form.warned.warnings : []).filter((one) => one.overridden);
  return [
    ...form.standing(p).map((one) => make("div", { className: "row warning", role: "alert" }, make("b", { className: "grow" }, one.says),
      button("Go on all the same", `warn:${one.what}`, () => form.goOn(p, [one])))),
    ...gone.map((one) => make("p", { className: "quiet" }, `Gone on in spite of: ${one.says}`)),
  ];
}

function firstLines(stop) {
  if (stop.done || !stop.first.length) return [];
  return [make("p", { className: "first" }, make("b", {}, "First: "), stop.first.join(" → "))];
}

function settingTiles(settings) {
  return make("div", { className: "settings" }, settings.map((s) =>
    make("div", { className: s.was === null ? "setting" : "setting changed" }, s.label, make("b", {}, s.set),
      s.also ? make("span", { className: "quiet" }, `${s.also} `) : "",
      s.was === null ? "" : make("span", { className: "quiet was" }, `was ${s.was}`),
      s.reached ? make("div", { className: "quiet" }, `reached ${s.reached}`) : "")));
}

function following(form) {
  const then = form.following();
  if (!then) return make("p", { className: "quiet" }, "Next: none, everything is done.");
  if (then.load) return make("p", { className: "quiet" }, `Next: cure load ${then.load}, ${then.settings.map((s) => s.set).join(" · ")}`);
  const p = form.press(then.press);
  const at = p.settings.filter((s) => !s.of_film);
  const here = form.ui.curing ? [] : form.press(form.ui.press).settings.filter((s) => !s.of_film);
  const words = at.flatMap((s, i) => [i ? " · " : "", !here.length || s.set === here[i].set ? s.set : make("strong", {}, s.set)]);
  return make("p", { className: "quiet" }, `Next: press ${p.press}, ${p.fabric}, `, words, p.refused ? make("strong", {}, " · do not press as planned") : "");
}

function marked(form, p) {
  const { ui } = form;
  const known = form.warned?.press === p.press ? form.warned.steps : [];
  return make("details", { open: ui.steps },
    make("summary", { "data-k": "steps", onclick: () => { ui.steps = !ui.steps; form.keepUi(); } }, "Oven, press and film: what was switched on, printed, powdered, and when"),
    make("p", { className: "quiet" }, "Tap when it happens: the form then warns of a warm-up too short and of ink too dry for powder. What nobody tapped warns of nothing."),
    make("div", { className: "row" }, known.map(({ step, load, at }) =>
      button(`${step}${load === null ? "" : `, load ${load}`}${at ? `: ${at}` : ": now"}`, `step:${step}`, () => form.act("mark", p.press, { step, ...(load === null ? {} : { load }) })))));
}

function pressView(form, p) {
  const { state, ui, said } = form;
  const name = `p${p.press}`;
  const stop = form.stop();

  function questions() {
    if (form.asked?.press !== p.press) return [];
    return form.asked.questions.map((one) => make("div", { className: "row warning", role: "alert" },
      make("b", { className: "grow" }, `Not saved yet. ${one.says.replaceAll(" °", "\u00a0°")}`),
      one.meant ? button(`It was ${one.meant}`, `meant:${one.factor}`, () => form.answer(p, one, one.meant)) : "",
      button(`Keep ${one.read}`, `keep:${one.factor}`, () => form.answer(p, one, "kept")),
      button("Type it again", `retype:${one.factor}`, () => { ui.reached = true; form.asked = null; form.draw(); form.find(`r:${one.factor}`)?.focus(); })));
  }

  const past = () => p.past.map((line) => make("p", { className: "past", role: "alert" }, line));

  function film() {
    // The film is a fact here: nothing is set for it. A load that is not cured is one tap away.
    if (p.cured) return make("p", { className: "film" }, make("b", {}, "Film: "), p.film);
    return make("div", { className: "row film" }, make("b", { className: "grow" }, `Load ${p.oven_load} is not cured yet.`),
      button(`Cure load ${p.oven_load}`, "to-cure", () => { form.goTo(form.cureOf(p)); form.draw(); }));
  }

  function gradeField(outcome) {
    const held = p.grades[outcome.name];
    const scale = outcome.grades.length ? `keys ${outcome.grades[0].label} to ${outcome.grades.at(-1).label}` : outcome.accepted;
    return make("fieldset", { "data-outcome": outcome.name }, make("legend", {}, `${outcome.label} `, make("span", { className: "quiet" },
      held === undefined ? scale : `recorded: ${held} ${outcome.unit}`)), gradeButtons(form, name, outcome, held, true), proposalRow(form, p, outcome));
  }

  function reached() {
    const draft = form.draftOf(name);
    return make("details", { open: ui.reached },
      make("summary", { "data-k": "reached", onclick: () => { ui.reached = !ui.reached; form.keepUi(); } }, "What was really reached, if it differed"),
      p.settings.map((s) => make("label", { className: "field" }, make("span", {}, `${s.label}, set to ${s.set}`),
        make("input", { "data-k": `r:${s.name}`, value: draft.actual[s.name] ?? s.reached, autocomplete: "off",
          placeholder: s.unit || s.words.join(" / "), "aria-label": `${s.label} reached`,
          oninput: (e) => { form.edit(name, (d) => { if (e.target.value === s.reached) delete d.actual[s.name]; else d.actual[s.name] = e.target.value; d.answers = (d.answers ?? []).filter((one) => one.factor !== s.name); }); form.freshen(); } }),
        make("span", { className: "quiet" }, s.unit ? `in ${s.unit}; another unit if you write it` : ""))));
  }

  function defects() {
    return make("fieldset", {}, make("legend", {}, "seen on the coupon"),
      defectButtons(form, name, p, state.defects, (word) => `d:${word}`));
  }

  function noteAndPhoto() {
    return make("div", { className: "row" }, make("input", { className: "grow", "data-k": "note", placeholder: "note", "aria-label": "note",
      value: form.draftOf(name).note ?? p.note,
      oninput: (e) => { form.edit(name, (d) => { if (e.target.value === p.note) delete d.note; else d.note = e.target.value; }); form.freshen(); } }),
      form.photos.row(p));
  }

  function more() {
    const words = { exclude: "Why is this press left out of the fit?", redo: "Why is it made again?" };
    const start = (op) => () => { ui.ask = { op, id: newId(), text: "" }; form.keepUi(); form.draw(); form.find("reason")?.focus(); };
    const parts = [make("div", { className: "row" },
      button("Leave out of the fit …", "exclude", start("exclude"), { disabled: p.excluded }),
      p.excluded ? button("Take back in", "include", () => form.act("include", p.press)) : "",
      button("Make again on a spare coupon …", "redo", start("redo"), { disabled: !p.pressed }),
      button("Undo the last entry", "undo", () => form.act("undo", p.press), { disabled: !p.pressed }),
      button("History", "history", () => form.lookBack(p)))];
    if (ui.ask) {
      const { op } = ui.ask;
      parts.push(make("div", { className: "row" },
        make("input", { className: "grow", "data-k": "reason", value: ui.ask.text, placeholder: words[op], "aria-label": words[op],
          oninput: (e) => { ui.ask.text = e.target.value; ui.ask.id = newId(); form.keepUi(); form.freshen(); } }),
        button(op === "exclude" ? "Leave it out" : "Make it again", "ask", () => form.act(op, p.press, { reason: ui.ask.text }), { disabled: !ui.ask.text.trim() })));
    }
    if (form.history) {
      parts.push(make("table", { className: "lines" }, form.history.lines.length
        ? form.history.lines.map((line) => make("tr", {}, [line.time, line.by, line.said].map((text) => make("td", {}, text))))
        : make("tr", {}, make("td", {}, "Nothing was recorded of this press yet."))),
        make("div", { className: "row photos" }, form.photos.shown(form.history.photos, p)));
    }
    return make("details", { open: ui.more },
      make("summary", { "data-k": "more", onclick: () => { ui.more = !ui.more; form.keepUi(); } }, "Spoiled, do again, undo, history"), parts);
  }

  const atPress = state.outcomes.filter((o) => o.washes === null);
  const shown = p.pressed || !atPress.length ? state.outcomes : atPress;
  const now = p.excluded ? "left out of the fit" : p.pressed ? "recorded; saving again corrects it" : p.press === state.next ? "next" : "not pressed yet";
  return [
    ...progress(form, `press round ${p.round}`),
    heading(form, `Press ${p.press}: ${p.fabric}`, now, p.pressed ? "After" : "Skip"),
    ...begun(form, p),
    ...warnings(form, p),
    ...past(),
    ...firstLines(stop),
    film(),
    settingTiles(p.settings.filter((s) => !s.of_film)),
    p.limit && !p.refused ? make("p", { className: "quiet" }, p.limit.replaceAll(" °", "\u00a0°")) : "",
    form.countdowns.tiles(p, false),
    shown.map(gradeField),
    ...questions(),
    // Above the rest, so that settings, grades and Save stand on one screen of a tablet.
    make("div", { className: "row" }, button(`Save press ${p.press}`, "save", () => form.savePress(p), { className: "save", disabled: !form.ready(p, form.draftOf(name)) }),
      form.statusLine(), said.undo === null ? "" : button(`Undo press ${said.undo}`, "undo-saved", () => form.act("undo", said.undo))),
    following(form),
    defects(),
    form.pictures.area(0, ""),
    noteAndPhoto(),
    reached(),
    marked(form, p),
    more(),
    make("p", { className: "quiet" }, state.caution),
  ];
}
