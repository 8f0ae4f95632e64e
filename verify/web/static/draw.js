// The drawing page: outlines of the body and the parts, with finger, mouse or keys.
import { Drawing, copy } from "./drawing.js";
import { keeper } from "./drawing-keep.js";
import { numbers } from "./drawing-numbers.js";
import { painter } from "./drawing-paint.js";
import { zoomer } from "./drawing-zoom.js";
import * as Outline from "./outline.js";

function start(easel) {
  const say = JSON.parse(easel.dataset.words);
  const given = JSON.parse(easel.dataset.drawing);
  const sheet = document.getElementById("sheet");
  const told = document.getElementById("told");
  const hint = document.getElementById("hint");
  const name = document.getElementById("name");
  const drawing = new Drawing(given, say);
  const { size } = drawing;
  const { paint, sketch, listParts, look, px } = painter(drawing, easel, (key) => {
    use("move");
    select(key);
  });
  const zoom = zoomer(drawing, paint, at, px);
  const keep = keeper(drawing, given.mark, easel.dataset, tell, listParts);
  drawing.changed = keep.save;

  function tell(text, wrong = false) {
    told.textContent = text;
    told.classList.toggle("note-stop", wrong);
  }
  function refresh() { paint(); listParts(); }

  // --- Choosing -----------------------------------------------------------------------------
  function select(key) {
    drawing.choose(key);
    const one = drawing.part(key);
    if (one) name.value = one.title;
    refresh();
  }
  function use(which) {
    drawing.tool = which;
    drawing.draft = [];
    if (which !== "move") drawing.choose(null);
    hint.textContent = say[`hint_${which}`];
    refresh();
  }
  const target = (which) => easel.querySelector(`[name=target][value=${which}]`);
  // The tool stays, so that the next part can be drawn at once.
  function added(points, shape) {
    const b = Outline.box(points);
    if (b.w < px(8) || b.h < px(8)) { tell(say.small, true); paint(); return; }
    const isBody = target("body").checked;
    drawing.add(points, shape, isBody);
    target("part").checked = true;
    select(drawing.selected);
    hint.textContent = isBody ? say.next_body : say.next_part;
    if (!isBody && matchMedia("(hover: hover)").matches) { name.focus(); name.select(); }
  }

  // --- Pointers -----------------------------------------------------------------------------
  const down = new Map();
  let drag = null;
  const fine = () => drag && ["corner", "corner-new", "scale", "shape"].includes(drag.kind);
  function at(event) {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(sheet.getScreenCTM().inverse());
    return Outline.inside([p.x, p.y], size);
  }
  function grasp(data, event, p) {
    const { tool, draft, selected } = drawing;
    drag = { start: p, before: copy(drawing.now), screen: [event.clientX, event.clientY],
      moved: false, kind: "pan", from: { ...drawing.view }, key: data.key };
    if (tool === "rectangle" || tool === "ellipse") drag.kind = "shape";
    else if (tool === "polygon") drag.kind = data.close === "1" && draft.length > 2 ? "close" : "corner-new";
    else if (data.corner !== undefined) { drag.kind = "corner"; drawing.corner = Number(data.corner); }
    else if (data.edge !== undefined) {
      drag.kind = "corner";
      drawing.corner = Number(data.edge) + 1;
      drawing.outline(selected).splice(drawing.corner, 0, p);
      drag.moved = true;
    } else if (data.scale !== undefined) { drag.kind = "scale"; drag.corner = Number(data.scale); }
    else if (data.turn !== undefined) drag.kind = "turn";
    else if (data.key !== undefined && (data.key === selected || event.pointerType === "mouse")) {
      drag.kind = "shift";
      if (data.key !== selected) select(data.key);
    }
    drag.line = drawing.selected ? copy(drawing.outline(drawing.selected) || []) : [];
  }
  function follow(p, off) {
    const { kind, line, start } = drag;
    const { selected } = drawing;
    const d = [p[0] - start[0], p[1] - start[1]];
    if (kind === "pan") { zoom.pan(drag.from, px(off[0]), px(off[1])); return; }
    if (kind === "shape") drag.shape = Outline[drawing.tool](start, p);
    else if (kind === "corner") {
      const moved = copy(drawing.outline(selected));
      moved[drawing.corner] = p;
      drawing.setOutline(selected, moved);
    } else if (kind === "shift") drawing.setOutline(selected, Outline.moved(line, d[0], d[1], size));
    else if (kind === "scale") {
      const [x, y] = Outline.corners(line)[drag.corner];
      const to = Outline.inside([x + d[0], y + d[1]], size);
      drawing.setOutline(selected, Outline.scaled(line, drag.corner, to));
    } else if (kind === "turn") {
      const b = Outline.box(line), m = [b.x + b.w / 2, b.y + b.h / 2];
      const angle = Math.atan2(p[1] - m[1], p[0] - m[0]) - Math.atan2(start[1] - m[1], start[0] - m[0]);
      const turned = Outline.turned(line, angle).map((q) => Outline.inside(q, size));
      drawing.setOutline(selected, turned, "polygon");
    }
    paint();
    if (drag.shape) sketch(drag.shape);
    look(p, fine());
  }
  sheet.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    if (document.activeElement === name) name.blur(); // a name that was just typed is kept
    down.set(event.pointerId, event);
    try { sheet.setPointerCapture(event.pointerId); } catch { /* a made-up pointer */ }
    if (down.size === 2) {
      if (drag) drawing.now = drag.before; // the first finger drew nothing
      drag = null;
      look(null, false);
      zoom.pinch([...down.values()]);
      return;
    }
    const p = at(event);
    grasp(event.target.dataset, event, p);
    if (event.pointerType !== "mouse" || drag.kind !== "pan") event.preventDefault();
    look(p, fine());
  });
  sheet.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, event);
    if (down.size === 2) { zoom.pinched([...down.values()]); return; }
    if (!drag) return;
    const off = [event.clientX - drag.screen[0], event.clientY - drag.screen[1]];
    if (!drag.moved && Math.hypot(...off) < 5) return;
    drag.moved = true;
    follow(at(event), off);
  });
  function up(event) {
    if (!down.delete(event.pointerId)) return;
    look(null, false);
    if (!drag || event.type === "pointercancel") { drag = null; paint(); return; }
    const { kind, moved, before, shape, key } = drag;
    drag = null;
    if (kind === "shape" && shape) added(shape, drawing.tool);
    else if (kind === "close") added(drawing.draft.splice(0), "polygon");
    else if (kind === "corner-new") {
      if (!drawing.draft.length) { select(null); hint.textContent = say.hint_polygon; }
      drawing.draft.push(at(event));
      paint();
    } else if (kind === "shape" || kind === "pan") { if (!moved) select(key === undefined ? null : key); }
    else {
      if (moved) drawing.remember(before);
      paint();
    }
  }
  sheet.addEventListener("pointerup", up);
  sheet.addEventListener("pointercancel", up);
  sheet.addEventListener("wheel", zoom.wheel, { passive: false });

  // --- Buttons and keys ---------------------------------------------------------------------
  const does = {
    undo: () => { drawing.step(true); select(drawing.selected); },
    redo: () => { drawing.step(false); select(drawing.selected); },
    close: () => { if (drawing.draft.length > 2) added(drawing.draft.splice(0), "polygon"); },
    closer: () => zoom.zoom(1.6),
    farther: () => zoom.zoom(1 / 1.6),
    whole: zoom.whole,
    corners: () => {
      const single = !drawing.byCorners(px);
      use("move");
      drawing.corners = single;
      drawing.corner = null;
      paint();
    },
    uncorner: () => { drawing.removeCorner(); paint(); },
    remove: () => { drawing.remove(); refresh(); },
    copy: () => { drawing.twin(); use("move"); select(drawing.selected); },
  };
  easel.addEventListener("click", (event) => {
    const pressed = event.target.closest("[data-do], [data-tool]");
    if (!pressed) return;
    if (pressed.dataset.tool) use(pressed.dataset.tool); else does[pressed.dataset.do]();
  });
  name.addEventListener("change", () => { drawing.rename(name.value.trim()); refresh(); });
  name.addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); name.blur(); sheet.focus(); }
  });
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  function push([dx, dy], far) {
    const line = drawing.outline(drawing.selected);
    drawing.change(() => drawing.setOutline(drawing.selected, Outline.moved(line, far * dx, far * dy, size)));
    paint();
  }
  sheet.addEventListener("keydown", (event) => {
    const arrow = arrows[event.key];
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      if (event.shiftKey) does.redo(); else does.undo();
    } else if (arrow && drawing.selected) push(arrow, event.shiftKey ? 10 : 1);
    else if (event.key === "Delete" || event.key === "Backspace") does.remove();
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
  numbers(drawing, document.getElementById("numbers"));
  keep.restore();
  const { body, parts } = drawing.now;
  if (!body && !parts.length) target("body").checked = true;
  use(body || parts.length ? "move" : "rectangle");
}

const easel = document.getElementById("easel");
if (easel) start(easel);
