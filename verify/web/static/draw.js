// The drawing page: outlines of the body and the parts, with finger, mouse or keys. Every change
// is sent to the server; without a connection it stays on this phone until there is one.
"use strict";
(() => {
  const easel = document.getElementById("easel");
  if (!easel) return;
  const given = JSON.parse(easel.dataset.drawing);
  const say = JSON.parse(easel.dataset.words);
  const { url, token } = easel.dataset;
  const size = given.size;
  const sheet = document.getElementById("sheet");
  const marks = document.getElementById("marks");
  const loupe = document.getElementById("loupe");
  const told = document.getElementById("told");
  const list = document.getElementById("part-list");
  const picked = document.getElementById("picked");
  const name = document.getElementById("name");
  const kept = `drawing ${url}`;
  const NS = "http://www.w3.org/2000/svg";

  let mark = given.mark;
  let serial = 0;
  let now = { body: given.body, parts: given.parts.map(withKey) };
  let selected = null; // "body", or the key of a part
  let tool = "move";
  let corner = null; // the one that was touched last
  let corners = null; // true: single corners are moved; false: the whole shape; null: as it suits
  let draft = []; // corners of a polygon that is being drawn
  let undo = [], redo = [];
  let view = { x: -0.5, y: -0.5, w: size[0], h: size[1] };

  function withKey(part) { return { ...part, key: `p${serial += 1}` }; }
  const copy = (value) => JSON.parse(JSON.stringify(value));
  const part = (key) => now.parts.find((one) => one.key === key);
  const outline = (key) => (key === "body" ? now.body : (part(key) || {}).outline);
  function setOutline(key, points, shape) {
    if (key === "body") now.body = points;
    else { part(key).outline = points; if (shape) part(key).shape = shape; part(key).unsure = false; }
  }
  const byCorners = () => {
    if (!selected) return false;
    const shape = selected === "body" ? "polygon" : part(selected).shape;
    if (shape === "rectangle" || shape === "ellipse") return false;
    if (corners !== null) return corners;
    const b = Outline.box(outline(selected)); // many corners, or small: nobody hits a single one
    return outline(selected).length <= 8 && Math.min(b.w, b.h) > px(60);
  };

  // --- Remembering --------------------------------------------------------------------------
  function remember(before) {
    undo.push(before);
    if (undo.length > 200) undo.shift();
    redo = [];
    save();
  }
  function change(work) { const before = copy(now); work(); remember(before); paint(); }
  function step(from, to) {
    if (draft.length) { draft.pop(); paint(); return; }
    if (!from.length) return;
    to.push(copy(now));
    const ids = Object.fromEntries(now.parts.map((one) => [one.key, one.id]));
    now = from.pop();
    for (const one of now.parts) one.id = ids[one.key] || one.id; // the server's word stays
    if (selected !== "body" && !part(selected)) select(null);
    if (selected === "body" && !now.body) select(null);
    save();
    paint();
  }

  // --- Sending ------------------------------------------------------------------------------
  let timer = null, busy = false, dirty = false;
  function save() {
    dirty = true;
    keep();
    clearTimeout(timer);
    timer = setTimeout(send, 400);
  }
  function keep() {
    try { localStorage.setItem(kept, JSON.stringify({ mark, now })); } catch { /* full or forbidden */ }
  }
  async function send() {
    if (busy || !dirty) return;
    busy = true;
    dirty = false;
    tell(say.saving);
    const order = now.parts.map((one) => one.key);
    const form = new FormData();
    form.append("token", token);
    form.append("drawing", JSON.stringify({
      mark,
      body: now.body && Outline.rounded(now.body),
      parts: now.parts.map((one) => ({ id: one.id, title: one.title, shape: one.shape,
        like: one.like || "", outline: Outline.rounded(one.outline) })),
    }));
    try {
      const answer = await fetch(`${url}/drawing`, { method: "POST", body: form,
        headers: { accept: "application/json" } });
      const plain = await answer.json();
      if (answer.ok) taken(plain, order);
      else { tell(plain.message, true); if (answer.status === 409) localStorage.removeItem(kept); }
    } catch {
      dirty = true;
      tell(say.away, true);
      timer = setTimeout(send, 4000);
    }
    busy = false;
    if (dirty && navigator.onLine) { clearTimeout(timer); timer = setTimeout(send, 400); }
  }
  function taken(plain, order) {
    mark = plain.mark;
    order.forEach((key, place) => {
      const one = part(key);
      if (one) { one.id = plain.parts[place].id; one.like = ""; }
    });
    if (dirty) keep(); else { localStorage.removeItem(kept); tell(say.saved); }
    listParts();
  }
  function tell(text, wrong = false) {
    told.textContent = text;
    told.classList.toggle("note-stop", wrong);
  }
  window.addEventListener("online", send);
  window.addEventListener("pagehide", () => { if (dirty) keep(); });
  function restore() {
    try {
      const found = JSON.parse(localStorage.getItem(kept));
      if (!found) return;
      localStorage.removeItem(kept);
      if (found.mark !== mark) return;
      found.now.parts.forEach((one) => { one.key = `p${serial += 1}`; });
      now = found.now;
      tell(say.restored);
      save();
    } catch { /* nothing was kept */ }
  }

  // --- Painting -----------------------------------------------------------------------------
  function make(tag, values, into) {
    const made = document.createElementNS(NS, tag);
    for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
    into.append(made);
    return made;
  }
  const points = (list_) => list_.map((p) => `${p[0]},${p[1]}`).join(" ");
  const px = (n) => (n * view.w) / (sheet.clientWidth || 1); // pixels of the screen, in the picture
  function paint() {
    sheet.setAttribute("viewBox", `${view.x} ${view.y} ${view.w} ${view.h}`);
    marks.replaceChildren();
    const all = [...(now.body ? [["body", now.body, "body", ""]] : []),
      ...now.parts.map((one, n) => [one.key, one.outline, one.unsure ? "unsure" : "part", n + 1])];
    for (const [key, line, kind, number] of all) {
      const on = key === selected ? " on" : "";
      make("polygon", { points: points(line), class: "o-dark" }, marks);
      make("polygon", { points: points(line), class: `o-${kind}${on}` }, marks);
      make("polygon", { points: points(line), class: kind === "body" ? "touch-line" : "touch",
        "data-key": key }, marks);
      if (number) label(number, Outline.box(line), on);
    }
    if (draft.length) {
      make("polyline", { points: points(draft), class: "o-dark" }, marks);
      make("polyline", { points: points(draft), class: "o-part on" }, marks);
      draft.forEach((p, n) => handle(p, "dot", { "data-close": n === 0 ? "1" : "" }));
    } else if (selected && outline(selected) && tool === "move") handles();
    sheet.classList.toggle("free", tool === "move" && !selected && view.w >= size[0]);
    buttons();
  }
  function label(number, box, on) {
    const text = make("text", { x: box.x, y: box.y - px(4), class: `tag${on}`,
      "font-size": px(15) }, marks);
    text.textContent = number;
  }
  // Where a shape is small its grips are too, so that its middle is left to move it by.
  function handle(p, look, data, room = Infinity) {
    const r = Outline.clamp(room / 3, px(9), px(22));
    make("circle", { cx: p[0], cy: p[1], r, class: "grip", ...data }, marks);
    make("circle", { cx: p[0], cy: p[1], r: px(look === "plus" ? 5 : 8), class: `knob ${look}` }, marks);
  }
  function handles() {
    const line = outline(selected);
    const b = Outline.box(line);
    const room = Math.min(b.w, b.h);
    if (byCorners()) {
      line.forEach((p, n) => {
        const q = line[(n + 1) % line.length];
        const far = Math.hypot(p[0] - q[0], p[1] - q[1]) > px(70);
        if (far) handle([(p[0] + q[0]) / 2, (p[1] + q[1]) / 2], "plus", { "data-edge": n });
      });
      line.forEach((p, n) => handle(p, n === corner ? "dot on" : "dot",
        { "data-corner": n }, room));
      return;
    }
    const out = px(9); // they stand off, and leave a small shape free
    Outline.corners(line).forEach(([x, y], n) => handle(
      [x + (n % 2 ? out : -out), y + (n < 2 ? -out : out)], "square", { "data-scale": n }, room * 2));
    handle([b.x + b.w / 2, b.y - px(34) < view.y ? b.y + b.h + px(34) : b.y - px(34)], "turn",
      { "data-turn": "1" });
  }
  function buttons() {
    for (const one of easel.querySelectorAll("[data-tool]")) {
      one.setAttribute("aria-pressed", String(one.dataset.tool === tool));
    }
    easel.querySelector("[data-do=undo]").disabled = !undo.length && !draft.length;
    easel.querySelector("[data-do=redo]").disabled = !redo.length;
    easel.querySelector("[data-do=close]").hidden = draft.length < 3;
    const here = Boolean(selected) && tool === "move";
    picked.hidden = !here;
    if (!here) return;
    const one = part(selected);
    picked.querySelector(".of-part").hidden = !one;
    const what = picked.querySelector("[data-do=copy]");
    what.hidden = !one;
    const line = outline(selected);
    const polygon = !one || one.shape === "polygon";
    const swap = picked.querySelector("[data-do=corners]");
    swap.hidden = !polygon;
    swap.textContent = byCorners() ? say.whole : say.corners;
    picked.querySelector("[data-do=uncorner]").hidden =
      !byCorners() || corner === null || line.length <= 3;
  }
  function listParts() {
    list.replaceChildren();
    now.parts.forEach((one, n) => {
      const row = document.createElement("li");
      const pick = document.createElement("button");
      pick.type = "button";
      pick.className = one.key === selected ? "pick here" : "pick";
      pick.textContent = `${n + 1} · ${one.title}`;
      if (one.unsure) pick.textContent += ` · ${say.unsure}`;
      pick.addEventListener("click", () => { use("move"); select(one.key); });
      row.append(pick);
      if (one.id) {
        const way = document.createElement("a");
        way.className = "button";
        way.href = `${url}/part/${one.id}`;
        way.textContent = say.words;
        way.setAttribute("aria-label", `${say.words}: ${one.title}`);
        row.append(way);
      }
      list.append(row);
    });
  }

  // --- Choosing -----------------------------------------------------------------------------
  function select(key) {
    selected = key;
    corner = null;
    corners = null;
    const one = part(key);
    if (one) name.value = one.title;
    paint();
    listParts();
  }
  function use(which) {
    tool = which;
    draft = [];
    if (which !== "move") selected = null;
    tell(say[`hint_${which}`] || "");
    paint();
  }
  const body = () => easel.querySelector("[name=target]:checked").value === "body";
  function added(points_, shape) {
    const b = Outline.box(points_);
    if (b.w < px(8) || b.h < px(8)) { tell(say.small, true); paint(); return; }
    change(() => {
      if (body()) { now.body = points_; selected = "body"; }
      else {
        const one = withKey({ id: "", title: `${say.part} ${now.parts.length + 1}`,
          outline: points_, shape, unsure: false });
        now.parts.push(one);
        selected = one.key;
      }
    });
    if (body()) easel.querySelector("[name=target][value=part]").checked = true;
    tool = "move";
    select(selected);
    if (part(selected) && matchMedia("(hover: hover)").matches) { name.focus(); name.select(); }
  }

  // --- Pointers -----------------------------------------------------------------------------
  const down = new Map();
  let drag = null;
  function at(event) {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(sheet.getScreenCTM().inverse());
    return Outline.inside([p.x, p.y], size);
  }
  sheet.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    down.set(event.pointerId, event);
    try { sheet.setPointerCapture(event.pointerId); } catch { /* a made-up pointer */ }
    if (down.size === 2) return pinch();
    const p = at(event);
    const data = event.target.dataset;
    drag = { start: p, before: copy(now), screen: [event.clientX, event.clientY], moved: false, kind: "pan",
      from: { ...view } };
    if (tool === "rectangle" || tool === "ellipse") drag.kind = "shape";
    else if (tool === "polygon") drag.kind = data.close === "1" && draft.length > 2 ? "close" : "corner-new";
    else if (data.corner !== undefined) { drag.kind = "corner"; corner = Number(data.corner); }
    else if (data.edge !== undefined) {
      drag.kind = "corner";
      corner = Number(data.edge) + 1;
      outline(selected).splice(corner, 0, p);
      drag.moved = true;
    } else if (data.scale !== undefined) { drag.kind = "scale"; drag.corner = Number(data.scale); }
    else if (data.turn !== undefined) drag.kind = "turn";
    else if (data.key !== undefined) {
      drag.key = data.key;
      if (data.key === selected || event.pointerType === "mouse") drag.kind = "shift";
    }
    if (drag.kind === "shift" && drag.key !== selected) select(drag.key);
    drag.line = selected ? copy(outline(selected) || []) : [];
    if (event.pointerType !== "mouse" || drag.kind !== "pan") event.preventDefault();
    look(p);
  });
  sheet.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, event);
    if (down.size === 2) return pinched();
    if (!drag) return;
    const off = [event.clientX - drag.screen[0], event.clientY - drag.screen[1]];
    if (!drag.moved && Math.hypot(...off) < 5) return;
    drag.moved = true;
    const p = at(event);
    const d = [p[0] - drag.start[0], p[1] - drag.start[1]];
    if (drag.kind === "pan") { pan(drag.from, px(off[0]), px(off[1])); return; }
    if (drag.kind === "shape") drag.shape = Outline[tool](drag.start, p);
    else if (drag.kind === "corner") { const line = copy(outline(selected)); line[corner] = p; setOutline(selected, line); }
    else if (drag.kind === "shift") setOutline(selected, Outline.moved(drag.line, d[0], d[1], size));
    else if (drag.kind === "scale") {
      const [x, y] = Outline.corners(drag.line)[drag.corner];
      setOutline(selected, Outline.scaled(drag.line, drag.corner, Outline.inside([x + d[0], y + d[1]], size)));
    }
    else if (drag.kind === "turn") {
      const b = Outline.box(drag.line), m = [b.x + b.w / 2, b.y + b.h / 2];
      const angle = Math.atan2(p[1] - m[1], p[0] - m[0])
        - Math.atan2(drag.start[1] - m[1], drag.start[0] - m[0]);
      setOutline(selected, Outline.turned(drag.line, angle).map((q) => Outline.inside(q, size)), "polygon");
    }
    paint();
    if (drag.shape) {
      make("polygon", { points: points(drag.shape), class: "o-dark" }, marks);
      make("polygon", { points: points(drag.shape), class: "o-part on" }, marks);
    }
    look(p);
  });
  function up(event) {
    if (!down.delete(event.pointerId)) return;
    loupe.hidden = true;
    if (!drag || event.type === "pointercancel") { drag = null; paint(); return; }
    const { kind, moved, before, shape, key } = drag;
    drag = null;
    const p = at(event);
    if (kind === "shape") { if (shape) added(shape, tool); else paint(); }
    else if (kind === "close") added(draft.splice(0), "polygon");
    else if (kind === "corner-new") { draft.push(p); paint(); }
    else if (kind === "pan") { if (!moved) select(key === undefined ? null : key); }
    else if (moved) { remember(before); paint(); }
    else paint();
  }
  sheet.addEventListener("pointerup", up);
  sheet.addEventListener("pointercancel", up);

  // A finger hides what it points at: the loupe shows it beside.
  function look(p) {
    const fine = drag && ["corner", "corner-new", "scale", "shape"].includes(drag.kind);
    loupe.hidden = !fine;
    if (!fine) return;
    const r = px(34);
    loupe.setAttribute("viewBox", `${p[0] - r} ${p[1] - r} ${2 * r} ${2 * r}`);
    const c = loupe.querySelector("path");
    c.setAttribute("d", `M${p[0] - r} ${p[1]}H${p[0] + r}M${p[0]} ${p[1] - r}V${p[1] + r}`);
    loupe.classList.toggle("right", p[0] < view.x + view.w / 2 && p[1] < view.y + view.h / 2);
  }

  // --- Zoom ---------------------------------------------------------------------------------
  function show(x, y, w) {
    const wide = Outline.clamp(w, size[0] / 16, size[0]);
    const high = (wide * size[1]) / size[0];
    view = { w: wide, h: high, x: Outline.clamp(x, -0.5, size[0] - 0.5 - wide),
      y: Outline.clamp(y, -0.5, size[1] - 0.5 - high) };
    paint();
  }
  function pan(from, dx, dy) { show(from.x - dx, from.y - dy, from.w); }
  function zoom(factor, middle) {
    const line = selected && outline(selected);
    const b = line && Outline.box(line);
    const m = middle || (b ? [b.x + b.w / 2, b.y + b.h / 2] : [view.x + view.w / 2, view.y + view.h / 2]);
    const w = Outline.clamp(view.w / factor, size[0] / 16, size[0]);
    const share = middle ? [(m[0] - view.x) / view.w, (m[1] - view.y) / view.h] : [0.5, 0.5];
    show(m[0] - share[0] * w, m[1] - (share[1] * w * size[1]) / size[0], w);
  }
  let two = null;
  function spread() {
    const [a, b] = [...down.values()];
    return { far: Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY) || 1,
      x: (a.clientX + b.clientX) / 2, y: (a.clientY + b.clientY) / 2 };
  }
  function pinch() {
    if (drag && drag.before) now = drag.before; // the first finger drew nothing
    drag = null;
    loupe.hidden = true;
    const s = spread();
    two = { ...s, from: { ...view }, p: at({ clientX: s.x, clientY: s.y }), px: px(1) };
  }
  function pinched() {
    const s = spread();
    const w = Outline.clamp((two.from.w * two.far) / s.far, size[0] / 16, size[0]);
    const scale = w / two.from.w;
    show(two.p[0] - (two.p[0] - two.from.x) * scale - (s.x - two.x) * two.px * scale,
      two.p[1] - (two.p[1] - two.from.y) * scale - (s.y - two.y) * two.px * scale, w);
  }
  sheet.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && view.w >= size[0] && event.deltaY > 0) return; // the page scrolls
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.25 : 0.8, at(event));
  }, { passive: false });

  // --- Buttons and keys ---------------------------------------------------------------------
  const does = {
    undo: () => step(undo, redo),
    redo: () => step(redo, undo),
    close: () => { if (draft.length > 2) added(draft.splice(0), "polygon"); },
    closer: () => zoom(1.6),
    farther: () => zoom(1 / 1.6),
    whole: () => show(-0.5, -0.5, size[0]),
    corners: () => { corners = !byCorners(); corner = null; paint(); },
    uncorner: () => change(() => {
      const line = copy(outline(selected));
      line.splice(corner, 1);
      corner = null;
      setOutline(selected, line);
    }),
    remove: () => {
      if (!selected) return;
      change(() => {
        if (selected === "body") now.body = null;
        else now.parts = now.parts.filter((one) => one.key !== selected);
        selected = null;
      });
      listParts();
    },
    copy: () => {
      const one = part(selected);
      if (!one) return;
      const b = Outline.box(one.outline);
      const room = b.x + 2.2 * b.w < size[0];
      const line = Outline.moved(one.outline, room ? b.w * 1.15 : -b.w * 1.15, 0, size);
      change(() => {
        const twin = withKey({ ...copy(one), id: "", like: one.id || one.like || "",
          title: `${one.title} ${now.parts.length + 1}`, outline: line, unsure: false });
        now.parts.push(twin);
        selected = twin.key;
      });
      select(selected);
    },
  };
  easel.addEventListener("click", (event) => {
    const pressed = event.target.closest("[data-do], [data-tool]");
    if (!pressed) return;
    if (pressed.dataset.tool) use(pressed.dataset.tool); else does[pressed.dataset.do]();
  });
  name.addEventListener("change", () => {
    const one = part(selected), title = name.value.trim();
    if (one && title && title !== one.title) change(() => { one.title = title; });
    listParts();
  });
  name.addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); name.blur(); sheet.focus(); }
  });
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  sheet.addEventListener("keydown", (event) => {
    const arrow = arrows[event.key];
    const far = event.shiftKey ? 10 : 1;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      if (event.shiftKey) does.redo(); else does.undo();
    } else if (arrow && selected) {
      change(() => setOutline(selected, Outline.moved(outline(selected), far * arrow[0], far * arrow[1], size)));
    } else if (event.key === "Delete" || event.key === "Backspace") does.remove();
    else if (event.key === "Escape") { use("move"); select(null); }
    else if (event.key === "Enter") does.close();
    else if (event.key === "+") does.closer();
    else if (event.key === "-") does.farther();
    else return;
    event.preventDefault();
  });
  window.addEventListener("resize", paint);

  easel.classList.add("live-easel");
  for (const one of easel.querySelectorAll("[data-script]")) one.hidden = false;
  document.getElementById("numbers").open = false;
  restore();
  if (!now.body && !now.parts.length) easel.querySelector("[name=target][value=body]").checked = true;
  use(now.body || now.parts.length ? "move" : "rectangle");
  listParts();
})();
