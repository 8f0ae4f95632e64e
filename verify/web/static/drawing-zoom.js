// Which piece of the photo is shown: buttons, wheel, two fingers.
import * as Outline from "./outline.js";

export function zoomer(drawing, paint, at, px) {
  const { size } = drawing;
  let two = null; // where two fingers began

  function show(x, y, w) {
    const wide = Outline.clamp(w, size[0] / 16, size[0]);
    const high = (wide * size[1]) / size[0];
    drawing.view = { w: wide, h: high, x: Outline.clamp(x, -0.5, size[0] - 0.5 - wide),
      y: Outline.clamp(y, -0.5, size[1] - 0.5 - high) };
    paint();
  }
  function pan(from, dx, dy) { show(from.x - dx, from.y - dy, from.w); }
  function whole() { show(-0.5, -0.5, size[0]); }
  function zoom(factor, middle) {
    const { view, selected } = drawing;
    const line = selected && drawing.outline(selected);
    const b = line && Outline.box(line);
    const m = middle || (b ? [b.x + b.w / 2, b.y + b.h / 2] : [view.x + view.w / 2, view.y + view.h / 2]);
    const w = Outline.clamp(view.w / factor, size[0] / 16, size[0]);
    const share = middle ? [(m[0] - view.x) / view.w, (m[1] - view.y) / view.h] : [0.5, 0.5];
    show(m[0] - share[0] * w, m[1] - (share[1] * w * size[1]) / size[0], w);
  }
  function spread(fingers) {
    const [a, b] = fingers;
    return { far: Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY) || 1,
      x: (a.clientX + b.clientX) / 2, y: (a.clientY + b.clientY) / 2 };
  }
  function pinch(fingers) {
    const s = spread(fingers);
    two = { ...s, from: { ...drawing.view }, p: at({ clientX: s.x, clientY: s.y }), px: px(1) };
  }
  function pinched(fingers) {
    const s = spread(fingers);
    const w = Outline.clamp((two.from.w * two.far) / s.far, size[0] / 16, size[0]);
    const scale = w / two.from.w;
    show(two.p[0] - (two.p[0] - two.from.x) * scale - (s.x - two.x) * two.px * scale,
      two.p[1] - (two.p[1] - two.from.y) * scale - (s.y - two.y) * two.px * scale, w);
  }
  function wheel(event) {
    if (!event.ctrlKey && drawing.view.w >= size[0] && event.deltaY > 0) return; // the page scrolls
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.25 : 0.8, at(event));
  }
  return { pan, whole, zoom, pinch, pinched, wheel };
}
