// Part 6: wash grades, days later: many coupons at once, found by their number.

function washView(form) {
  const { state, ui } = form;
  const rows = form.washRows();
  if (!rows.length) return [make("p", {}, "No coupon is waiting for a grade."), regradeCard(form), form.statusLine()];
  const wanted = (p) => state.outcomes.filter((o) => p.waiting.includes(o.name) || o.name in form.draftOf(`w${p.press}`).grades);
  const legend = state.outcomes.filter((o) => o.grades.some((g) => g.sentence) && rows.some((p) => wanted(p).includes(o)));
  const after = (o) => (o.washes ? ` after ${o.washes} wash${o.washes === 1 ? "" : "es"}` : "");

  function look(number) {
    const row = form.root.querySelector(`[data-coupon="${number}"]`);
    if (row) {
      ui.find = "";
      form.keepUi();
      form.find("find").value = "";
      row.scrollIntoView({ block: "center" });
      row.querySelector("button[tabindex='0'], input")?.focus();
      return;
    }
    const p = form.press(number);
    if (p) { form.go(number); form.draw(); return; }
    form.say("bad", `There is no press ${ui.find} in this book.`);
  }

  function coupon(p) {
    return make("div", { className: "coupon", "data-coupon": p.press }, p.past.map((line) => make("p", { className: "past" }, line)), wanted(p).map((outcome) => {
      const value = form.draftOf(`w${p.press}`).grades[outcome.name];
      const held = p.grades[outcome.name];
      const meant = outcome.grades.find((g) => g.value === value)?.sentence ?? (held === undefined ? "" : `recorded meanwhile: ${held}`);
      return make("fieldset", { className: "row", "data-outcome": outcome.name },
        make("span", { className: "grow" }, make("b", {}, `Press ${p.press}`), ` ${p.fabric}, ${outcome.label}${after(outcome)}`, make("div", { className: "quiet" }, meant)),
        gradeButtons(form, `w${p.press}`, outcome, held, false), proposalRow(form, p, outcome));
    }), seen(p));
  }

  function seen(p) {
    // What the wash has shown is added to what was seen at the press, and saved with the grade.
    const name = `w${p.press}`;
    const chosen = form.draftOf(name).defects ?? p.defects;
    return make("details", { open: ui.seen?.[p.press] },
      make("summary", { "data-k": `seen:${p.press}`, onclick: () => { ui.seen = { ...ui.seen, [p.press]: !ui.seen?.[p.press] }; form.keepUi(); } },
        chosen.length ? `seen: ${chosen.join(", ")}` : "seen after the wash …"),
      defectButtons(form, name, p, state.wash_defects, (word) => `w:${p.press}:${word}`));
  }

  const chosen = rows.filter((p) => form.store.get(`w${p.press}`)).length;
  return [
    make("div", { className: "row" },
      make("input", { "data-k": "find", inputMode: "numeric", placeholder: "coupon number", "aria-label": "find a coupon by its number", value: ui.find ?? "",
        oninput: (e) => { ui.find = e.target.value; form.keepUi(); },
        onkeydown: (e) => { if (e.key === "Enter" && ui.find?.trim()) look(Number(ui.find)); } }),
      button("Find", "look", () => look(Number(ui.find))),
      make("span", { className: "quiet grow" }, `${rows.length} coupon${rows.length === 1 ? " waits" : "s wait"} for a grade, numbered by press. ` +
        "Judge dry and cold, some hours after the last wash.", make("span", { className: "keys" }, " By keyboard: number, Enter, grade, Enter."))),
    form.pictures.area(Math.max(1, ...state.outcomes.map((o) => o.washes ?? 0)), " and washed"),
    legend.map((o) => make("details", { open: !ui.shut?.[o.name] },
      make("summary", { "data-k": `guide:${o.name}`, onclick: () => { ui.shut = { ...ui.shut, [o.name]: !ui.shut?.[o.name] }; form.keepUi(); } },
        `What the grades of ${o.label}${after(o)} mean`),
      make("table", { className: "lines" }, o.grades.filter((g) => g.sentence).map((g) => make("tr", {}, make("td", {}, make("b", {}, g.label)), make("td", {}, g.sentence)))), make("p", { className: "quiet" }, o.published))),
    regradeCard(form),
    rows.map(coupon),
    // At the foot of the screen while the pile is longer: Save and what became of it stay in sight.
    make("div", { className: "row foot" },
      button(chosen ? `Save ${chosen} coupon${chosen === 1 ? "" : "s"}` : "Save", "save", form.saveMany, { className: "save", disabled: !chosen }), form.statusLine()),
  ];
}
