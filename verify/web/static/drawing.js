// What is drawn on one view: outlines of the body and the parts, the chosen one, and the way back.
import * as Outline from "./outline.js";

export const copy = (value) => JSON.parse(JSON.stringify(value));

export class Drawing {
  #serial = 0;

  constructor(given, words) {
    this.size = given.size;
    this.words = words;
    this.now = { body: given.body, parts: given.parts.map((one) => this.withKey(one)) };
    this.selected = null; // "body", or the key of a part
    this.tool = "move"; // or what is drawn: rectangle, ellipse, polygon
    this.corner = null; // the one that was touched last
    this.corners = null; // true: single corners are moved; false: the whole shape; null: as it suits
    this.draft = []; // corners of a polygon that is being drawn
    this.undo = [];
    this.redo = [];
    this.view = { x: -0.5, y: -0.5, w: this.size[0], h: this.size[1] }; // what is shown of the photo
    this.changed = () => {}; // told whenever there is something new to keep
  }

  withKey(part) { return { ...part, key: `p${this.#serial += 1}` }; }
  part(key) { return this.now.parts.find((one) => one.key === key); }
  outline(key) { return key === "body" ? this.now.body : (this.part(key) || {}).outline; }

  setOutline(key, points, shape) {
    if (key === "body") { this.now.body = points; return; }
    const one = this.part(key);
    one.outline = points;
    if (shape) one.shape = shape;
    one.unsure = false;
  }

  // True where single corners of the chosen shape are moved; ``px``: pixels of the screen.
  byCorners(px) {
    if (!this.selected) return false;
    const shape = this.selected === "body" ? "polygon" : this.part(this.selected).shape;
    if (shape === "rectangle" || shape === "ellipse") return false;
    if (this.corners !== null) return this.corners;
    const line = this.outline(this.selected);
    const b = Outline.box(line); // many corners, or small: nobody hits a single one
    return line.length <= 8 && Math.min(b.w, b.h) > px(60);
  }

  choose(key) {
    this.selected = key;
    this.corner = null;
    this.corners = null;
  }

  remember(before) {
    this.undo.push(before);
    if (this.undo.length > 200) this.undo.shift();
    this.redo = [];
    this.changed();
  }

  change(work) {
    const before = copy(this.now);
    work();
    this.remember(before);
  }

  // Goes one step back, or on again.
  step(back) {
    if (this.draft.length) { this.draft.pop(); return; }
    const [from, to] = back ? [this.undo, this.redo] : [this.redo, this.undo];
    if (!from.length) return;
    to.push(copy(this.now));
    const ids = Object.fromEntries(this.now.parts.map((one) => [one.key, one.id]));
    this.now = from.pop();
    for (const one of this.now.parts) one.id = ids[one.key] || one.id; // the server's word stays
    if (this.selected && !this.outline(this.selected)) this.choose(null);
    this.changed();
  }

  // Takes in an outline that was just drawn, and chooses it.
  add(points, shape, isBody) {
    this.change(() => {
      if (isBody) { this.now.body = points; this.choose("body"); return; }
      const title = `${this.words.part} ${this.now.parts.length + 1}`;
      const one = this.withKey({ id: "", title, outline: points, shape, unsure: false });
      this.now.parts.push(one);
      this.choose(one.key);
    });
  }

  // Copies the chosen part beside itself, and chooses the copy.
  twin() {
    const one = this.part(this.selected);
    if (!one) return;
    const b = Outline.box(one.outline);
    const room = b.x + 2.2 * b.w < this.size[0];
    const line = Outline.moved(one.outline, room ? b.w * 1.15 : -b.w * 1.15, 0, this.size);
    this.change(() => {
      const twin = this.withKey({ ...copy(one), id: "", like: one.id || one.like || "",
        title: `${one.title} ${this.now.parts.length + 1}`, outline: line, unsure: false });
      this.now.parts.push(twin);
      this.choose(twin.key);
    });
  }

  remove() {
    if (!this.selected) return;
    this.change(() => {
      if (this.selected === "body") this.now.body = null;
      else this.now.parts = this.now.parts.filter((one) => one.key !== this.selected);
      this.choose(null);
    });
  }

  removeCorner() {
    this.change(() => {
      const line = copy(this.outline(this.selected));
      line.splice(this.corner, 1);
      this.corner = null;
      this.setOutline(this.selected, line);
    });
  }

  rename(title) {
    const one = this.part(this.selected);
    if (one && title && title !== one.title) this.change(() => { one.title = title; });
  }

  // What the server gets.
  plain() {
    return {
      body: this.now.body && Outline.rounded(this.now.body),
      parts: this.now.parts.map((one) => ({ id: one.id, title: one.title, shape: one.shape,
        like: one.like || "", outline: Outline.rounded(one.outline) })),
    };
  }
}
