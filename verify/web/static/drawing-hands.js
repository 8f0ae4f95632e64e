// Fingers and mouse on the photo: what they draw, move, size and turn.
import { copy } from "./drawing.js";
import * as Outline from "./outline.js";

const FINE = ["corner", "corner-new", "scale", "shape"]; // done under the loupe

export class Hands {
  #down = new Map();
  #drag = null;

  // ``easel``: what to do with what was drawn or touched, see draw.js.
  constructor(drawing, painter, zoom, easel) {
    this.drawing = drawing;
    this.painter = painter;
    this.zoom = zoom;
    this.easel = easel;
    const { sheet } = painter;
    sheet.addEventListener("pointerdown", (event) => this.#press(event));
    sheet.addEventListener("pointermove", (event) => this.#move(event));
    sheet.addEventListener("pointerup", (event) => this.#up(event));
    sheet.addEventListener("pointercancel", (event) => this.#up(event));
    sheet.addEventListener("wheel", (event) => zoom.wheel(event), { passive: false });
  }

  #look(p) { this.painter.look(p, Boolean(this.#drag) && FINE.includes(this.#drag.kind)); }

  #press(event) {
    if (event.button) return;
    this.easel.settle();
    this.#down.set(event.pointerId, event);
    try { this.painter.sheet.setPointerCapture(event.pointerId); } catch { /* a made-up pointer */ }
    if (this.#down.size === 2) {
      if (this.#drag) this.drawing.now = this.#drag.before; // the first finger drew nothing
      this.#drag = null;
      this.#look(null);
      this.zoom.pinch([...this.#down.values()]);
      return;
    }
    const p = this.easel.at(event);
    this.#grasp(event.target.dataset, event, p);
    if (event.pointerType !== "mouse" || this.#drag.kind !== "pan") event.preventDefault();
    this.#look(p);
  }

  // Decides what a pointer that comes down is about to do.
  #grasp(data, event, p) {
    const { drawing } = this;
    const { tool, draft, selected } = drawing;
    const drag = { start: p, before: copy(drawing.now), screen: [event.clientX, event.clientY],
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
      if (data.key !== selected) this.easel.select(data.key);
    }
    drag.line = drawing.selected ? copy(drawing.outline(drawing.selected) || []) : [];
    this.#drag = drag;
  }

  #move(event) {
    if (!this.#down.has(event.pointerId)) return;
    this.#down.set(event.pointerId, event);
    if (this.#down.size === 2) { this.zoom.pinched([...this.#down.values()]); return; }
    const drag = this.#drag;
    if (!drag) return;
    const off = [event.clientX - drag.screen[0], event.clientY - drag.screen[1]];
    if (!drag.moved && Math.hypot(...off) < 5) return;
    drag.moved = true;
    const { px } = this.painter;
    if (drag.kind === "pan") { this.zoom.pan(drag.from, px(off[0]), px(off[1])); return; }
    const p = this.easel.at(event);
    if (drag.kind === "shape") drag.shape = Outline[this.drawing.tool](drag.start, p);
    else this.#reshape(p);
    this.painter.paint();
    if (drag.shape) this.painter.sketch(drag.shape);
    this.#look(p);
  }

  // Changes the chosen shape as far as the pointer has come.
  #reshape(p) {
    const { drawing } = this;
    const { selected, size } = drawing;
    const { kind, line, start, corner } = this.#drag;
    const d = [p[0] - start[0], p[1] - start[1]];
    if (kind === "corner") {
      const moved = copy(drawing.outline(selected));
      moved[drawing.corner] = p;
      drawing.setOutline(selected, moved);
    } else if (kind === "shift") drawing.setOutline(selected, Outline.moved(line, d[0], d[1], size));
    else if (kind === "scale") {
      const [x, y] = Outline.corners(line)[corner];
      const to = Outline.inside([x + d[0], y + d[1]], size);
      drawing.setOutline(selected, Outline.scaled(line, corner, to));
    } else if (kind === "turn") {
      const b = Outline.box(line), m = [b.x + b.w / 2, b.y + b.h / 2];
      const angle = Math.atan2(p[1] - m[1], p[0] - m[0]) - Math.atan2(start[1] - m[1], start[0] - m[0]);
      const turned = Outline.turned(line, angle).map((q) => Outline.inside(q, size));
      drawing.setOutline(selected, turned, "polygon");
    }
  }

  #up(event) {
    if (!this.#down.delete(event.pointerId)) return;
    const drag = this.#drag;
    this.#drag = null;
    this.#look(null);
    if (!drag || event.type === "pointercancel") { this.painter.paint(); return; }
    const { kind, moved, before, shape, key } = drag;
    const { drawing, easel } = this;
    if (kind === "shape" && shape) easel.added(shape, drawing.tool);
    else if (kind === "close") easel.added(drawing.draft.splice(0), "polygon");
    else if (kind === "corner-new") easel.corner(easel.at(event));
    else if (kind === "shape" || kind === "pan") { if (!moved) easel.select(key === undefined ? null : key); }
    else {
      if (moved) drawing.remember(before);
      this.painter.paint();
    }
  }
}
