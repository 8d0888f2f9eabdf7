// A coupon brought back now and then, to be judged as if for the first time: its earlier grade is not
// shown, and stays what it is.

function regradeCard(form) {
  const again = form.state.again;
  const outcome = again && form.state.outcomes.find((o) => o.name === again.outcome);
  if (!outcome) return "";
  const ask = `${again.press}:${again.outcome}`;
  const say = (value) => {
    // The same try keeps its id, so that tapping again after silence cannot save twice.
    if (form.judging?.ask !== ask || form.judging.value !== value) form.judging = { ask, value, id: newId() };
    form.tell({ op: "judge again", id: form.judging.id, press: again.press, by: form.who(), outcome: outcome.name, grade: value }, (answer) => {
      form.judging = null;
      if (!answer.ok) return form.refuse(answer);
      form.said = { kind: "good", undo: null, text: `Saved ${clock()}: ${answer.text}` };
    }, { again: "Tap the grade again" });
  };
  const after = outcome.washes ? ` after ${outcome.washes} wash${outcome.washes === 1 ? "" : "es"}` : "";
  return make("fieldset", { className: "row again" },
    make("span", { className: "grow" }, make("b", {}, `Coupon ${again.press}`), `: judge ${outcome.label}${after} once more, as if you saw it for the first time.`),
    outcome.grades.map((grade) => button(make("b", {}, grade.label), `again:${grade.label}`, () => say(grade.value), { title: grade.sentence, "aria-label": `coupon ${again.press} again, ${outcome.label} ${grade.label}` })),
    button("Not at hand", "again:none", () => say(null)));
}
