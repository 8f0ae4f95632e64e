// Paints a drawing over its photo, with the grips of the chosen shape, its buttons and the list.
import * as Outline from "./outline.js";

const NS = "http://www.w3.org/2000/svg";
const points = (line) => line.map((p) => `${p[0]},${p[1]}`).join(" ");

export function painter(drawing, easel, pick) {
  const say = drawing.words;
  const { url } = easel.dataset;
  const sheet = document.getElementById("sheet");
  const marks = document.getElementById("marks");
  const loupe = document.getElementById("loupe");
  const list = document.getElementById("part-list");
  const picked = document.getElementById("picked");
  const px = (n) => (n * drawing.view.w) / (sheet.clientWidth || 1); // of the screen, in the picture

  function make(tag, values, into) {
    const made = document.createElementNS(NS, tag);
    for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
    into.append(made);
    return made;
  }
  function paint() {
    const { view, now, selected, tool, draft, size } = drawing;
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
    } else if (selected && drawing.outline(selected) && tool === "move") handles();
    sheet.classList.toggle("free", tool === "move" && !selected && view.w >= size[0]);
    buttons();
  }
  // Shows what is about to be drawn.
  function sketch(shape) {
    make("polygon", { points: points(shape), class: "o-dark" }, marks);
    make("polygon", { points: points(shape), class: "o-part on" }, marks);
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
    const line = drawing.outline(drawing.selected);
    const b = Outline.box(line);
    const room = Math.min(b.w, b.h);
    if (drawing.byCorners(px)) {
      line.forEach((p, n) => {
        const q = line[(n + 1) % line.length];
        const far = Math.hypot(p[0] - q[0], p[1] - q[1]) > px(70);
        if (far) handle([(p[0] + q[0]) / 2, (p[1] + q[1]) / 2], "plus", { "data-edge": n });
      });
      line.forEach((p, n) => handle(p, n === drawing.corner ? "dot on" : "dot",
        { "data-corner": n }, room));
      return;
    }
    const out = px(9); // they stand off, and leave a small shape free
    Outline.corners(line).forEach(([x, y], n) => handle(
      [x + (n % 2 ? out : -out), y + (n < 2 ? -out : out)], "square", { "data-scale": n }, room * 2));
    const above = b.y - px(34) >= drawing.view.y;
    handle([b.x + b.w / 2, above ? b.y - px(34) : b.y + b.h + px(34)], "turn", { "data-turn": "1" });
  }
  function buttons() {
    const { selected, tool, draft } = drawing;
    for (const one of easel.querySelectorAll("[data-tool]")) {
      one.setAttribute("aria-pressed", String(one.dataset.tool === tool));
    }
    easel.querySelector("[data-do=undo]").disabled = !drawing.undo.length && !draft.length;
    easel.querySelector("[data-do=redo]").disabled = !drawing.redo.length;
    easel.querySelector("[data-do=close]").hidden = draft.length < 3;
    picked.hidden = !selected || draft.length > 0;
    if (picked.hidden) return;
    const one = drawing.part(selected);
    picked.querySelector(".of-part").hidden = !one;
    picked.querySelector(".of-body").hidden = Boolean(one);
    picked.querySelector("[data-do=copy]").hidden = !one;
    const swap = picked.querySelector("[data-do=corners]");
    swap.hidden = Boolean(one) && one.shape !== "polygon";
    swap.textContent = drawing.byCorners(px) ? say.whole : say.corners;
    picked.querySelector("[data-do=uncorner]").hidden = tool !== "move" || !drawing.byCorners(px)
      || drawing.corner === null || drawing.outline(selected).length <= 3;
  }
  function listParts() {
    list.replaceChildren(...drawing.now.parts.map((one, n) => {
      const row = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.className = one.key === drawing.selected ? "pick here" : "pick";
      button.setAttribute("aria-pressed", String(one.key === drawing.selected));
      button.textContent = `${n + 1} · ${one.title}`;
      if (one.unsure) button.textContent += ` · ${say.unsure}`;
      button.addEventListener("click", () => pick(one.key));
      row.append(button);
      if (one.id) {
        const way = document.createElement("a");
        way.className = "button";
        way.href = `${url}/part/${one.id}`;
        way.textContent = say.words;
        way.setAttribute("aria-label", `${say.words}: ${one.title}`);
        row.append(way);
      }
      return row;
    }));
  }
  // A finger hides what it points at: the loupe shows it beside.
  function look(p, fine) {
    loupe.hidden = !fine;
    if (!fine) return;
    const { view } = drawing;
    const r = px(34);
    loupe.setAttribute("viewBox", `${p[0] - r} ${p[1] - r} ${2 * r} ${2 * r}`);
    const c = loupe.querySelector("path");
    c.setAttribute("d", `M${p[0] - r} ${p[1]}H${p[0] + r}M${p[0]} ${p[1] - r}V${p[1] + r}`);
    loupe.classList.toggle("right", p[0] < view.x + view.w / 2 && p[1] < view.y + view.h / 2);
  }
  return { paint, sketch, listParts, look, px };
}
