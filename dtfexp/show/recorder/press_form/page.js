// The recording form at the press, part 1: elements, and what the browser remembers for it.
// The parts are joined into one module (recorder.py); the last one draws.

const newId = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");

// The same try keeps its id, so that tapping again after silence cannot act twice.
function sameTry() {
  const ids = new Map();
  return {
    id(what) { if (!ids.has(what)) ids.set(what, newId()); return ids.get(what); },
    over(what) { ids.delete(what); },
  };
}

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

function button(text, key, onclick, traits = {}) {
  return make("button", { type: "button", "data-k": key, onclick, ...traits }, text);
}

const clock = () => new Date().toLocaleTimeString();

// Drawing anew under a finger takes away what it is on, and its tap is lost: what is heard while a
// finger or a mouse button is down is drawn after it.
const HELD = 5000; // ms after which a finger that rests on the form, or an open list, waits no more
const TAPPED = 400; // ms in which a lifted finger becomes a click

function underFinger(root, draw) {
  let [down, owed, touched, timer] = [false, false, false, 0];
  const lifted = () => { down = false; if (owed) draw(); };
  const until = (ms) => { clearTimeout(timer); timer = setTimeout(lifted, ms); };
  const up = () => { if (down) until(TAPPED); };
  root.addEventListener("pointerdown", ({ pointerType }) => { down = true; touched = pointerType !== "mouse"; until(HELD); }, true);
  root.addEventListener("click", () => { down = false; }, true);
  root.addEventListener("keydown", () => { down = touched = false; }, true);
  // A choice from an open list; a text field changes as the finger leaves it for a button.
  root.addEventListener("change", ({ target }) => { if (target.tagName === "SELECT") down = false; }, true);
  // A finger that rests, in a glove or on a busy page, is taken for a long press: the page around the
  // form would open its menu over it, and no tap follows. On a button it is the tap it was meant to
  // be. (The event itself may say "mouse" for a finger.)
  root.addEventListener("contextmenu", (event) => {
    if (!touched || event.target.closest("input, select, textarea")) return;
    event.preventDefault();
    event.stopPropagation();
    event.target.closest("button")?.click();
  });
  for (const gone of ["pointerup", "pointercancel"]) document.addEventListener(gone, up);
  return {
    putsOff: () => (owed = down),
    end() { clearTimeout(timer); for (const gone of ["pointerup", "pointercancel"]) document.removeEventListener(gone, up); },
  };
}

// Two tabs of one browser share its memory. Each keeps its drafts under a name of its own, which a
// reload keeps too. One object for the page: Run All loads this module again.
const page = (globalThis[Symbol.for("dtfexp page")] ??= { id: newId(), tab: tabOf() });

function tabOf() {
  try {
    const known = sessionStorage.getItem("dtfexp:tab") ?? newId();
    sessionStorage.setItem("dtfexp:tab", known);
    return known;
  } catch { return newId(); }
}

function rollCall(renamed, counted) {
  // Which tabs are open? A duplicated tab begins with the name of the one it was copied from, and
  // takes another; the drafts of tabs that do not answer may be taken over.
  if (!("BroadcastChannel" in globalThis)) return () => {};
  const line = new BroadcastChannel("dtfexp");
  const living = new Set();
  let asking = true;
  line.onmessage = ({ data }) => {
    if (data.page === page.id) return;
    if (data.asks) return line.postMessage({ page: page.id, tab: page.tab });
    living.add(data.tab);
    if (!asking || data.tab !== page.tab) return;
    page.tab = newId();
    try { sessionStorage.setItem("dtfexp:tab", page.tab); } catch { /* held in the page */ }
    renamed();
  };
  line.postMessage({ page: page.id, asks: true });
  setTimeout(() => { asking = false; counted(living.add(page.tab)); }, 500);
  return () => line.close();
}

function memory(book) {
  // A private window may refuse storage: the form then works, without surviving a reload.
  const held = new Map();
  const start = `dtfexp:${book}:`;
  const place = (name) => `${start}${page.tab}:${name}`;
  const store = {
    get(name) {
      if (held.has(name)) return held.get(name);
      try {
        return JSON.parse(localStorage.getItem(place(name))) ?? undefined;
      } catch { return undefined; }
    },
    set(name, value) {
      held.set(name, value);
      try { localStorage.setItem(place(name), JSON.stringify(value)); held.delete(name); } catch { /* held above */ }
    },
    drop(name) {
      held.delete(name);
      try { localStorage.removeItem(place(name)); } catch { /* held above */ }
    },
    // What a new tab begins with, such as the name of who records.
    last(name, value) {
      try {
        if (value !== undefined) localStorage.setItem(`${start}last:${name}`, JSON.stringify(value));
        return JSON.parse(localStorage.getItem(`${start}last:${name}`)) ?? undefined;
      } catch { return undefined; }
    },
    takeOver(living) {
      // What a closed tab left behind, unless this tab has something of that name.
      let taken = false;
      try {
        for (const key of Object.keys(localStorage).filter((key) => key.startsWith(start))) {
          const [tab, name] = key.slice(start.length).split(":");
          if (living.has(tab) || tab === "last" || name === undefined) continue;
          if (/^([pw]\d+|photos|clocks)$/.test(name)) {
            if (store.get(name) !== undefined) continue;
            localStorage.setItem(place(name), localStorage.getItem(key));
            taken = true;
          }
          localStorage.removeItem(key);
        }
      } catch { /* nothing was stored */ }
      return taken;
    },
  };
  return store;
}
