// Part 5: one oven load at a time: what to set, its coupons, the clock, and the look at its powder side.

function cureView(form, p, stop) {
  const { state, said } = form;
  const load = state.loads[stop.load];
  const say = (op, more) => form.act(op, p.press, { load: stop.load, ...more });

  function members() {
    // Printed and powdered alike: the coupons in one line; else a line for each.
    const printed = (one) => one.settings.map((s) => `${s.label} ${s.set}`).join(", ");
    const mixed = stop.coupons.some((one) => one.settings.length);
    if (!mixed) return make("p", {}, make("b", {}, "Coupons: "), stop.coupons.map((one) => `no. ${one.press} ${one.fabric}`).join(" · "));
    return make("table", { className: "lines" }, stop.coupons.map((one) => make("tr", {},
      [make("b", {}, `coupon ${one.press}`), one.fabric, `print and powder: ${printed(one)}`].map((cell) => make("td", {}, cell)))));
  }

  function look() {
    if (form.countdowns.curing(stop.load)) return make("p", { className: "quiet" }, "In the oven. Then look at the powder side.");
    const cureOn = (seconds) => { say("look", { look: "grainy", cured_on: seconds }); form.countdowns.cureOn(p, seconds); };
    const again = load.cured_on ? `cured on ${load.cured_on} s in all` : "";
    return [
      make("fieldset", { className: "look" }, make("legend", {}, "Out of the oven: the powder side is … ", make("span", { className: "quiet" }, again)),
        make("div", { className: "grades" }, state.looks.map(({ look: one, word, says }) => button([make("b", {}, word), make("span", {}, says)],
          `look:${one}`, () => say("look", { look: one }), { "aria-pressed": String(load.look === one) })))),
      load.look !== "grainy" ? "" : make("div", { className: "row" }, make("b", {}, "Back into the oven:"),
        state.cure_on.map((s) => button(`+ ${s} s`, `look:on:${s}`, () => cureOn(s)))),
    ];
  }

  const next = form.following();
  const onward = !next ? "Go on" : next.load ? `Go on: load ${next.load}` : `Go on: press ${next.press}`;
  return [
    ...progress(form, `oven load ${stop.load}`),
    heading(form, `Cure load ${stop.load}`, stop.done ? "done; a new look corrects it" : "", stop.done ? "After" : "Skip"),
    ...begun(form, p),
    ...warnings(form, p),
    ...firstLines(stop),
    members(),
    settingTiles(stop.settings),
    form.countdowns.tiles(p, true),
    look(),
    make("div", { className: "row" }, button(onward, "on", () => { form.comeNext(); form.draw(); }, { className: "grow" }), form.statusLine(),
      button("Photo of the powder side", "look:photo", () => form.photos.choose(load.first)),
      load.looked ? button("Take the last look back", "look:back", () => say("forget look", {})) : "",
      said.undo === null ? "" : button(`Undo press ${said.undo}`, "undo-saved", () => form.act("undo", said.undo))),
    following(form),
    marked(form, p),
    make("p", { className: "quiet" }, state.caution),
  ];
}
