// Which piece of the photo is shown: buttons, wheel, two fingers.
import * as Outline from "./outline.js";

export class Zoom {
  #two = null; // where two fingers began

  // ``paint()`` shows it, ``at(event)`` gives a place in the photo, ``px(n)`` its pixels for n of
  // the screen.
  constructor(drawing, paint, at, px) {
    this.drawing = drawing;
    this.size = drawing.size;
    this.paint = paint;
    this.at = at;
    this.px = px;
  }

  show(x, y, w) {
    const { size } = this;
    const wide = Outline.clamp(w, size[0] / 16, size[0]);
    const high = (wide * size[1]) / size[0];
    this.drawing.view = { w: wide, h: high, x: Outline.clamp(x, -0.5, size[0] - 0.5 - wide),
      y: Outline.clamp(y, -0.5, size[1] - 0.5 - high) };
    this.paint();
  }

  pan(from, dx, dy) { this.show(from.x - dx, from.y - dy, from.w); }

  whole() { this.show(-0.5, -0.5, this.size[0]); }

  // Around a place, else around what is chosen, else around the middle.
  zoom(factor, place) {
    const { size } = this;
    const { view, selected } = this.drawing;
    const line = selected && this.drawing.outline(selected);
    const b = line ? Outline.box(line) : view;
    const m = place || [b.x + b.w / 2, b.y + b.h / 2];
    const w = Outline.clamp(view.w / factor, size[0] / 16, size[0]);
    const share = place ? [(m[0] - view.x) / view.w, (m[1] - view.y) / view.h] : [0.5, 0.5];
    this.show(m[0] - share[0] * w, m[1] - (share[1] * w * size[1]) / size[0], w);
  }

  pinch(fingers) {
    const s = spread(fingers);
    this.#two = { ...s, from: { ...this.drawing.view }, px: this.px(1),
      p: this.at({ clientX: s.x, clientY: s.y }) };
  }

  pinched(fingers) {
    const two = this.#two;
    const s = spread(fingers);
    const w = Outline.clamp((two.from.w * two.far) / s.far, this.size[0] / 16, this.size[0]);
    const scale = w / two.from.w;
    this.show(two.p[0] - (two.p[0] - two.from.x) * scale - (s.x - two.x) * two.px * scale,
      two.p[1] - (two.p[1] - two.from.y) * scale - (s.y - two.y) * two.px * scale, w);
  }

  wheel(event) {
    if (!event.ctrlKey && this.drawing.view.w >= this.size[0] && event.deltaY > 0) return; // the page scrolls
    event.preventDefault();
    this.zoom(event.deltaY < 0 ? 1.25 : 0.8, this.at(event));
  }
}

function spread([a, b]) {
  return { far: Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY) || 1,
    x: (a.clientX + b.clientX) / 2, y: (a.clientY + b.clientY) / 2 };
}
