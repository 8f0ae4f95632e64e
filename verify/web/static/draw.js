// The drawing page: outlines of the body and the parts, with finger, mouse or keys.
import { Drawing } from "./drawing.js";
import { Hands } from "./drawing-hands.js";
import { Keeper } from "./drawing-keep.js";
import { numbers } from "./drawing-numbers.js";
import { Painter } from "./drawing-paint.js";
import { Zoom } from "./drawing-zoom.js";
import * as Outline from "./outline.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

class Easel {
  constructor(place) {
    const given = JSON.parse(place.dataset.drawing);
    this.place = place;
    this.say = JSON.parse(place.dataset.words);
    this.told = document.getElementById("told");
    this.hint = document.getElementById("hint");
    this.name = document.getElementById("name");
    this.drawing = new Drawing(given, this.say);
    this.painter = new Painter(this.drawing, place, (key) => { this.use("move"); this.select(key); });
    this.zoom = new Zoom(this.drawing, () => this.painter.paint(),
      (event) => this.at(event), this.painter.px);
    this.keeper = new Keeper(this.drawing, given.mark, place.dataset,
      (text, wrong) => this.tell(text, wrong), () => this.painter.listParts());
    this.drawing.changed = () => this.keeper.save();
    new Hands(this.drawing, this.painter, this.zoom, this);
    this.listen();
  }

  begin() {
    this.place.classList.add("live-easel");
    for (const one of this.place.querySelectorAll("[data-script]")) one.hidden = false;
    numbers(this.drawing, document.getElementById("numbers"));
    this.keeper.restore();
    const { body, parts } = this.drawing.now;
    if (!body && !parts.length) this.target("body").checked = true;
    this.use(body || parts.length ? "move" : "rectangle");
  }

  tell(text, wrong = false) {
    this.told.textContent = text;
    this.told.classList.toggle("note-stop", wrong);
  }

  refresh() { this.painter.paint(); this.painter.listParts(); }

  target(which) { return this.place.querySelector(`[name=target][value=${which}]`); }

  // Where a pointer is in the photo.
  at(event) {
    const screen = this.painter.sheet.getScreenCTM().inverse();
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(screen);
    return Outline.inside([p.x, p.y], this.drawing.size);
  }

  // --- Choosing -----------------------------------------------------------------------------
  select(key) {
    this.drawing.choose(key);
    const one = this.drawing.part(key);
    if (one) this.name.value = one.title;
    this.refresh();
  }

  use(which) {
    this.drawing.tool = which;
    this.drawing.draft = [];
    if (which !== "move") this.drawing.choose(null);
    this.hint.textContent = this.say[`hint_${which}`];
    this.refresh();
  }

  // Keeps a name that was just typed.
  settle() { if (document.activeElement === this.name) this.name.blur(); }

  // One more corner of a polygon; the first one of a new shape lets go of the last.
  corner(p) {
    if (!this.drawing.draft.length) {
      this.select(null);
      this.hint.textContent = this.say.hint_polygon;
    }
    this.drawing.draft.push(p);
    this.painter.paint();
  }

  // A new outline. The tool stays, so that the next part can be drawn at once.
  added(points, shape) {
    const b = Outline.box(points), least = this.painter.px(8);
    if (b.w < least || b.h < least) {
      this.tell(this.say.small, true);
      this.painter.paint();
      return;
    }
    const isBody = this.target("body").checked;
    this.drawing.add(points, shape, isBody);
    this.target("part").checked = true;
    this.select(this.drawing.selected);
    this.hint.textContent = isBody ? this.say.next_body : this.say.next_part;
    if (!isBody && matchMedia("(hover: hover)").matches) { this.name.focus(); this.name.select(); }
  }

  // --- Buttons and keys ---------------------------------------------------------------------
  undo() { this.drawing.step(true); this.select(this.drawing.selected); }
  redo() { this.drawing.step(false); this.select(this.drawing.selected); }
  close() { if (this.drawing.draft.length > 2) this.added(this.drawing.draft.splice(0), "polygon"); }
  closer() { this.zoom.zoom(1.6); }
  farther() { this.zoom.zoom(1 / 1.6); }
  whole() { this.zoom.whole(); }
  remove() { this.drawing.remove(); this.refresh(); }
  copy() { this.drawing.twin(); this.use("move"); this.select(this.drawing.selected); }
  uncorner() { this.drawing.removeCorner(); this.painter.paint(); }
  corners() {
    const single = !this.drawing.byCorners(this.painter.px);
    this.use("move");
    this.drawing.corners = single;
    this.drawing.corner = null;
    this.painter.paint();
  }

  push([dx, dy], far) {
    const { drawing } = this;
    const line = Outline.moved(drawing.outline(drawing.selected), far * dx, far * dy, drawing.size);
    drawing.change(() => drawing.setOutline(drawing.selected, line));
    this.painter.paint();
  }

  pressed(event) {
    const arrow = ARROWS[event.key];
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      if (event.shiftKey) this.redo(); else this.undo();
    } else if (arrow && this.drawing.selected) this.push(arrow, event.shiftKey ? 10 : 1);
    else if (event.key === "Delete" || event.key === "Backspace") this.remove();
    else if (event.key === "Escape") { this.use("move"); this.select(null); }
    else if (event.key === "Enter") this.close();
    else if (event.key === "+") this.closer();
    else if (event.key === "-") this.farther();
    else return;
    event.preventDefault();
  }

  listen() {
    const { name, place } = this;
    const { sheet } = this.painter;
    place.addEventListener("click", (event) => {
      const one = event.target.closest("[data-do], [data-tool]");
      if (!one) return;
      if (one.dataset.tool) this.use(one.dataset.tool); else this[one.dataset.do]();
    });
    name.addEventListener("change", () => { this.drawing.rename(name.value.trim()); this.refresh(); });
    name.addEventListener("keydown", (event) => {
      if (event.key === "Enter") { event.preventDefault(); name.blur(); sheet.focus(); }
    });
    sheet.addEventListener("keydown", (event) => this.pressed(event));
    window.addEventListener("resize", () => this.painter.paint());
  }
}

const place = document.getElementById("easel");
if (place) new Easel(place).begin();
