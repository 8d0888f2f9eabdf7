// What a picture of the coupon proposes for one outcome. One tap takes it; any grade chosen instead
// is saved as usual. The form never chooses for the person.

function proposalRow(form, p, outcome) {
  const one = p.proposed[outcome.name];
  if (!one) return "";
  const taken = p.grades[outcome.name] === one.value;
  const key = `accept:${p.press}:${outcome.name}`;
  const accept = () => {
    const what = `${key}:${one.value}`;
    form.tell({ op: "accept", id: form.tries.id(what), press: p.press, by: form.who(), outcome: outcome.name, value: one.value }, (answer) => {
      form.tries.over(what);
      if (!answer.ok) return form.refuse(answer);
      form.said = { kind: "good", undo: p.press, text: `Saved ${clock()}: ${answer.text}` };
    }, { again: "Tap Accept again" });
  };
  return make("div", { className: "row proposal" }, make("span", { className: "grow quiet" }, one.says),
    taken ? make("span", { className: "quiet" }, "taken") : button(`Accept ${one.value}`, key, accept, { "aria-label": `${outcome.label}: accept ${one.value}, press ${p.press}` }));
}
