// Part 3: photos. Made small in the browser, kept there until the notebook has them on the disk.

const LONG_SIDE = 1600; // pixels: an edge of a small letter is still seen
const PHOTO_PATIENCE = 15000; // ms without an answer: a photo takes longer than a grade

async function shrunk(file) {
  const picture = await createImageBitmap(file);
  const by = Math.min(1, LONG_SIDE / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * by), height: Math.round(picture.height * by) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return canvas.toDataURL("image/jpeg", 0.85).split(",")[1];
}

function photoTools(form) {
  const waiting = () => form.store.get("photos") ?? [];
  // Outside of what is drawn anew: the file window stays open over a redraw.
  const input = make("input", { type: "file", accept: "image/*", hidden: true, "data-k": "photo-file", onchange: taken });
  let press = null;

  async function taken() {
    const [file] = input.files;
    if (!file) return;
    const one = { id: newId(), press };
    try {
      one.data = await shrunk(file);
    } catch {
      form.say("bad", "NOT SAVED: this file is no photo that the browser can read.");
      return;
    } finally { input.value = ""; }
    form.store.set("photos", [...waiting(), one]);
    send(one);
  }

  function forget(id) {
    const left = waiting().filter((one) => one.id !== id);
    if (left.length) form.store.set("photos", left); else form.store.drop("photos");
  }

  function send(one) {
    const bytes = Uint8Array.from(atob(one.data), (letter) => letter.charCodeAt(0));
    form.tell({ op: "photo", id: one.id, press: one.press, by: form.who() }, (answer) => {
      if (!answer.ok) return form.refuse(answer);
      forget(one.id);
      form.said = { kind: "good", text: `Saved ${clock()}: ${answer.text}`, undo: null };
    }, { attached: [bytes], patience: PHOTO_PATIENCE, again: "Tap Send again" });
  }

  const choose = (number) => { press = number; input.click(); };

  function row(p) {
    const left = waiting();
    return [
      button(p.photos ? `Photo (${p.photos})` : "Photo", "photo", () => choose(p.press)),
      left.length === 0 ? "" : make("span", { className: "quiet" }, `${left.length} not saved yet:`),
      left.length === 0 ? "" : button("Send again", "photo-send", () => left.forEach(send)),
      left.length === 0 ? "" : button("Throw away", "photo-drop", () => { left.forEach((one) => forget(one.id)); form.draw(); }),
    ];
  }

  function shown(photos, p) {
    return photos.map((photo) => make("figure", {},
      photo.picture ? make("img", { src: photo.picture, alt: `press ${p.press}, photo of ${photo.time}` }) : make("p", {}, photo.trouble),
      make("figcaption", {}, `${photo.time} ${photo.by} `, button("Take back", `photo-back:${photo.id}`,
        () => form.act("forget photo", p.press, { photo: photo.id })))));
  }

  return { input, row, choose, shown, resend: () => waiting().forEach(send) };
}
