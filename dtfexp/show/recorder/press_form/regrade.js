// A coupon brought back now and then, to be judged as if for the first time: its earlier grade is not
// shown, and stays what it is.

function regradeCard(form) {
  const again = form.state.again;
  const outcome = again && form.state.outcomes.find((o) => o.name === again.outcome);
  if (!outcome) return "";
  const say = (value) => {
    const what = `again:${again.press}:${again.outcome}:${value}`;
    form.tell({ op: "judge again", id: form.tries.id(what), press: again.press, by: form.who(), outcome: outcome.name, grade: value }, (answer) => {
      form.tries.over(what);
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
