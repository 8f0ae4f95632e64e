// Paints a drawing over its photo, with the grips of the chosen shape, its buttons and the list.
import * as Outline from "./outline.js";

const NS = "http://www.w3.org/2000/svg";
const points = (line) => line.map((p) => `${p[0]},${p[1]}`).join(" ");

export class Painter {
  constructor(drawing, easel, pick) {
    this.drawing = drawing;
    this.say = drawing.words;
    this.easel = easel;
    this.url = easel.dataset.url;
    this.pick = pick; // chooses a part from the list
    this.sheet = document.getElementById("sheet");
    this.marks = document.getElementById("marks");
    this.loupe = document.getElementById("loupe");
    this.list = document.getElementById("part-list");
    this.picked = document.getElementById("picked");
    // Pixels of the screen, in the picture.
    this.px = (n) => (n * drawing.view.w) / (this.sheet.clientWidth || 1);
  }

  make(tag, values, into) {
    const made = document.createElementNS(NS, tag);
    for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
    into.append(made);
    return made;
  }

  paint() {
    const { view, now, selected, tool, draft, size } = this.drawing;
    this.sheet.setAttribute("viewBox", `${view.x} ${view.y} ${view.w} ${view.h}`);
    this.marks.replaceChildren();
    const all = [...(now.body ? [["body", now.body, "body", ""]] : []),
      ...now.parts.map((one, n) => [one.key, one.outline, one.unsure ? "unsure" : "part", n + 1])];
    for (const [key, line, kind, number] of all) {
      const on = key === selected ? " on" : "";
      this.make("polygon", { points: points(line), class: "o-dark" }, this.marks);
      this.make("polygon", { points: points(line), class: `o-${kind}${on}` }, this.marks);
      this.make("polygon", { points: points(line), class: kind === "body" ? "touch-line" : "touch",
        "data-key": key }, this.marks);
      if (number) this.label(number, Outline.box(line), on);
    }
    if (draft.length) {
      this.make("polyline", { points: points(draft), class: "o-dark" }, this.marks);
      this.make("polyline", { points: points(draft), class: "o-part on" }, this.marks);
      draft.forEach((p, n) => this.handle(p, "dot", { "data-close": n === 0 ? "1" : "" }));
    } else if (selected && this.drawing.outline(selected) && tool === "move") this.handles();
    this.sheet.classList.toggle("free", tool === "move" && !selected && view.w >= size[0]);
    this.buttons();
  }

  // Shows what is about to be drawn.
  sketch(shape) {
    this.make("polygon", { points: points(shape), class: "o-dark" }, this.marks);
    this.make("polygon", { points: points(shape), class: "o-part on" }, this.marks);
  }

  label(number, box, on) {
    const text = this.make("text", { x: box.x, y: box.y - this.px(4), class: `tag${on}`,
      "font-size": this.px(15) }, this.marks);
    text.textContent = number;
  }

  // Where a shape is small its grips are too, so that its middle is left to move it by.
  handle(p, look, data, room = Infinity) {
    const r = Outline.clamp(room / 3, this.px(9), this.px(22));
    this.make("circle", { cx: p[0], cy: p[1], r, class: "grip", ...data }, this.marks);
    const knob = this.px(look === "plus" ? 5 : 8);
    this.make("circle", { cx: p[0], cy: p[1], r: knob, class: `knob ${look}` }, this.marks);
  }

  handles() {
    const line = this.drawing.outline(this.drawing.selected);
    const b = Outline.box(line);
    const room = Math.min(b.w, b.h);
    if (this.drawing.byCorners(this.px)) {
      line.forEach((p, n) => {
        const q = line[(n + 1) % line.length];
        const far = Math.hypot(p[0] - q[0], p[1] - q[1]) > this.px(70);
        if (far) this.handle([(p[0] + q[0]) / 2, (p[1] + q[1]) / 2], "plus", { "data-edge": n });
      });
      line.forEach((p, n) => this.handle(p, n === this.drawing.corner ? "dot on" : "dot",
        { "data-corner": n }, room));
      return;
    }
    const out = this.px(9); // they stand off, and leave a small shape free
    Outline.corners(line).forEach(([x, y], n) => this.handle(
      [x + (n % 2 ? out : -out), y + (n < 2 ? -out : out)], "square", { "data-scale": n }, room * 2));
    const above = b.y - this.px(34) >= this.drawing.view.y;
    const high = above ? b.y - this.px(34) : b.y + b.h + this.px(34);
    this.handle([b.x + b.w / 2, high], "turn", { "data-turn": "1" });
  }

  buttons() {
    const { selected, tool, draft } = this.drawing;
    for (const one of this.easel.querySelectorAll("[data-tool]")) {
      one.setAttribute("aria-pressed", String(one.dataset.tool === tool));
    }
    this.easel.querySelector("[data-do=undo]").disabled = !this.drawing.undo.length && !draft.length;
    this.easel.querySelector("[data-do=redo]").disabled = !this.drawing.redo.length;
    this.easel.querySelector("[data-do=close]").hidden = draft.length < 3;
    this.picked.hidden = !selected || draft.length > 0;
    if (this.picked.hidden) return;
    const one = this.drawing.part(selected);
    this.picked.querySelector(".of-part").hidden = !one;
    this.picked.querySelector(".of-body").hidden = Boolean(one);
    this.picked.querySelector("[data-do=copy]").hidden = !one;
    const swap = this.picked.querySelector("[data-do=corners]");
    swap.hidden = Boolean(one) && one.shape !== "polygon";
    const single = this.drawing.byCorners(this.px);
    swap.textContent = single ? this.say.whole : this.say.corners;
    this.picked.querySelector("[data-do=uncorner]").hidden = tool !== "move" || !single
      || this.drawing.corner === null || this.drawing.outline(selected).length <= 3;
  }

  listParts() {
    this.list.replaceChildren(...this.drawing.now.parts.map((one, n) => {
      const row = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.className = one.key === this.drawing.selected ? "pick here" : "pick";
      button.setAttribute("aria-pressed", String(one.key === this.drawing.selected));
      button.textContent = `${n + 1} · ${one.title}`;
      if (one.unsure) button.textContent += ` · ${this.say.unsure}`;
      button.addEventListener("click", () => this.pick(one.key));
      row.append(button);
      if (one.id) {
        const way = document.createElement("a");
        way.className = "button";
        way.href = `${this.url}/part/${one.id}`;
        way.textContent = this.say.words;
        way.setAttribute("aria-label", `${this.say.words}: ${one.title}`);
        row.append(way);
      }
      return row;
    }));
  }

  // A finger hides what it points at: the loupe shows it beside.
  look(p, fine) {
    this.loupe.hidden = !fine;
    if (!fine) return;
    const { view } = this.drawing;
    const r = this.px(34);
    this.loupe.setAttribute("viewBox", `${p[0] - r} ${p[1] - r} ${2 * r} ${2 * r}`);
    const c = this.loupe.querySelector("path");
    c.setAttribute("d", `M${p[0] - r} ${p[1]}H${p[0] + r}M${p[0]} ${p[1] - r}V${p[1] + r}`);
    this.loupe.classList.toggle("right", p[0] < view.x + view.w / 2 && p[1] < view.y + view.h / 2);
  }
}
