// Part 3c: photos or scans of coupons with a code, dropped here and read by the notebook.

const PICTURE_PATIENCE = 120000; // ms without an answer: a picture of ten coupons takes half a minute
const PICTURE_BYTES = 8e6; // larger ones are made smaller here: the way to the notebook is narrow
const PICTURE_SIDE = 4200; // pixels

async function pictureBytes(file) {
  if (file.size <= PICTURE_BYTES) return new Uint8Array(await file.arrayBuffer());
  const picture = await createImageBitmap(file);
  const by = Math.min(1, PICTURE_SIDE / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * by), height: Math.round(picture.height * by) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  const blob = await new Promise((made) => canvas.toBlob(made, "image/jpeg", 0.92));
  return new Uint8Array(await blob.arrayBuffer());
}

function pictureTools(form) {
  let washes = 0;
  let gave = []; // {name, lines} of the pictures read since the form was opened
  const input = make("input", { type: "file", accept: "image/*", multiple: true, hidden: true, "data-k": "picture-file",
    onchange: () => { const files = [...input.files]; input.value = ""; take(files); } });

  async function take(files) {
    // One after the other: each is kept before the next is sent.
    for (const file of files) {
      let bytes;
      try {
        bytes = await pictureBytes(file);
      } catch {
        form.say("bad", `NOT READ: ${file.name} is no picture that the browser can read. Send it as JPEG.`);
        return;
      }
      if (!await new Promise((done) => send(file.name, bytes, done))) return;
    }
  }

  function send(name, bytes, done) {
    form.tell({ op: "read pictures", id: newId(), washes, by: form.who() }, (answer) => {
      if (answer.ok) {
        gave = [{ name, lines: answer.lines }, ...gave];
        form.said = { kind: answer.text.startsWith("0 ") ? "bad" : "good", text: `${name}: ${answer.text}`, undo: null };
      } else form.said = { kind: "bad", undo: null, text: `NOT READ: ${name}: ${answer.text.replace(/^picture: /, "")}` };
      done(answer.ok);
    }, { attached: [bytes], patience: PICTURE_PATIENCE, again: "Choose the picture again" });
    form.say("busy", `Reading ${name} …`);
  }

  function area(after, wanted) {
    // `after`: washes that these coupons have had, 0 at the press.
    const chosen = () => { washes = after ? Number(form.ui.washes ?? after) : 0; };
    const node = make("div", { className: "drop", "data-k": "drop",
      ondragover: (e) => { e.preventDefault(); node.classList.add("over"); },
      ondragleave: () => node.classList.remove("over"),
      ondrop: (e) => { e.preventDefault(); node.classList.remove("over"); chosen(); take([...e.dataTransfer.files]); } },
      make("div", { className: "row" },
        button("Read photos of coupons", "pictures", () => { chosen(); input.click(); }),
        after ? make("label", { className: "row" }, "after washes ", make("input", { type: "number", min: 1, max: 1000, "data-k": "washes", "aria-label": "washes that the coupons have had",
          value: form.ui.washes ?? after, oninput: (e) => { form.ui.washes = Number(e.target.value) || after; form.keepUi(); } })) : "",
        make("span", { className: "quiet grow" }, `or drop them here: coupons printed with their code${wanted}, several in one picture, straight from above, in even light. A proposal is no grade: tap it to accept.`)),
      gave.map(({ name, lines }) => make("details", { open: true }, make("summary", { "data-k": `read:${name}` }, name),
        lines.length ? lines.map((line) => make("div", { className: "quiet", style: `padding-left:${line.search(/\S/) * 8}px` }, line.trim())) : "nothing was found")));
    return node;
  }

  return { input, area };
}
