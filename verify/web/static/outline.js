// Outlines as lists of [x, y] in pixels of the picture: moved, scaled, turned, kept inside it.
export const box = (outline) => {
  const xs = outline.map((p) => p[0]), ys = outline.map((p) => p[1]);
  const x = Math.min(...xs), y = Math.min(...ys);
  return { x, y, w: Math.max(...xs) - x, h: Math.max(...ys) - y };
};
export const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
export const rectangle = (a, b) => {
  const x0 = Math.min(a[0], b[0]), x1 = Math.max(a[0], b[0]);
  const y0 = Math.min(a[1], b[1]), y1 = Math.max(a[1], b[1]);
  return [[x0, y0], [x1, y0], [x1, y1], [x0, y1]];
};
export const ellipse = (a, b) => {
  const mx = (a[0] + b[0]) / 2, my = (a[1] + b[1]) / 2;
  const rx = Math.abs(a[0] - b[0]) / 2, ry = Math.abs(a[1] - b[1]) / 2;
  return [...Array(24).keys()].map((n) => {
    const angle = (2 * Math.PI * n) / 24;
    return [mx + rx * Math.cos(angle), my + ry * Math.sin(angle)];
  });
};
export const inside = (point, size) => [clamp(point[0], -0.5, size[0] - 0.5), clamp(point[1], -0.5, size[1] - 0.5)];
// Shifts a whole outline, but not beyond the picture.
export const moved = (outline, dx, dy, size) => {
  const b = box(outline);
  const x = clamp(dx, Math.min(0, -0.5 - b.x), Math.max(0, size[0] - 0.5 - b.x - b.w));
  const y = clamp(dy, Math.min(0, -0.5 - b.y), Math.max(0, size[1] - 0.5 - b.y - b.h));
  return outline.map((p) => [p[0] + x, p[1] + y]);
};
// Scales so that one corner of the box comes to a point while the opposite one stays.
export const scaled = (outline, corner, to) => {
  const b = box(outline);
  const fixed = [corner % 2 ? b.x : b.x + b.w, corner < 2 ? b.y + b.h : b.y];
  const from = [corner % 2 ? b.x + b.w : b.x, corner < 2 ? b.y : b.y + b.h];
  const least = 4;
  const sx = Math.max((to[0] - fixed[0]) / ((from[0] - fixed[0]) || 1), least / (b.w || 1));
  const sy = Math.max((to[1] - fixed[1]) / ((from[1] - fixed[1]) || 1), least / (b.h || 1));
  return outline.map((p) => [fixed[0] + (p[0] - fixed[0]) * sx, fixed[1] + (p[1] - fixed[1]) * sy]);
};
export const corners = (outline) => {
  const b = box(outline);
  return [[b.x, b.y], [b.x + b.w, b.y], [b.x, b.y + b.h], [b.x + b.w, b.y + b.h]];
};
export const turned = (outline, angle) => {
  const b = box(outline), mx = b.x + b.w / 2, my = b.y + b.h / 2;
  const c = Math.cos(angle), s = Math.sin(angle);
  return outline.map((p) => [
    mx + c * (p[0] - mx) - s * (p[1] - my), my + s * (p[0] - mx) + c * (p[1] - my)]);
};
export const rounded = (outline) => outline.map((p) => p.map((v) => Math.round(v * 10) / 10));
