// The form for numbers shows those of whatever is chosen in it, as it is drawn now.
import * as Outline from "./outline.js";

export function numbers(drawing, box) {
  const target = box.querySelector("[name=target]");
  const field = (name) => box.querySelector(`[name=${name}]`);
  const keyOf = (id) => (drawing.now.parts.find((one) => one.id === id) || {}).key;

  // Offers the parts that there are now, and goes to the one that is chosen on the photo.
  function offer() {
    const [fresh, body] = target.options;
    const one = drawing.part(drawing.selected);
    target.replaceChildren(fresh, body, ...drawing.now.parts.filter((part) => part.id)
      .map((part) => new Option(part.title, part.id)));
    if (drawing.selected === "body") target.value = body.value;
    else target.value = one && one.id ? one.id : fresh.value;
    fill();
  }
  function fill() {
    const isBody = target.selectedIndex === 1;
    const one = isBody ? null : drawing.part(keyOf(target.value));
    const line = isBody ? drawing.now.body : one && one.outline;
    field("title").value = one ? one.title : "";
    if (!line) {
      for (const name of ["left", "top", "width", "height", "corners"]) field(name).value = "";
      if (field("shape").value === "polygon") field("shape").value = "rectangle";
      sides();
      return;
    }
    const [b] = Outline.rounded([Object.values(Outline.box(line))]);
    ["left", "top", "width", "height"].forEach((name, n) => { field(name).value = b[n]; });
    field("corners").value = Outline.rounded(line).map((p) => p.join(",")).join(" ");
    field("shape").value = one ? one.shape : "polygon";
    sides();
  }
  // Only what belongs to the shape is shown: what is typed elsewhere would not count.
  function sides() {
    const corners = field("shape").value === "polygon";
    box.querySelector(".of-box").hidden = corners;
    box.querySelector(".of-corners").hidden = !corners;
  }
  target.addEventListener("change", fill);
  field("shape").addEventListener("change", sides);
  box.addEventListener("toggle", () => {
    if (!box.open) delete box.dataset.typing;
    else if (!("typing" in box.dataset)) offer(); // else what was typed stays
  });
  for (const still of box.querySelectorAll("[data-still]")) still.hidden = true;
  sides();
  if (!("typing" in box.dataset)) box.open = false;
}
