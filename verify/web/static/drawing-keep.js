// Sends a drawing after every change; without a connection it stays on this phone until there is
// one. ``tell(text, wrong)`` says how it went, ``taken()`` that parts have their ids.
export function keeper(drawing, mark, { url, token }, tell, taken) {
  const kept = `drawing ${url}`;
  const say = drawing.words;
  let timer = null, busy = false, dirty = false;

  function save() {
    dirty = true;
    keep();
    clearTimeout(timer);
    timer = setTimeout(send, 400);
  }
  function keep() {
    try {
      localStorage.setItem(kept, JSON.stringify({ mark, now: drawing.now }));
    } catch { /* full or forbidden */ }
  }
  async function send() {
    if (busy || !dirty) return;
    busy = true;
    dirty = false;
    tell(say.saving);
    const order = drawing.now.parts.map((one) => one.key);
    const form = new FormData();
    form.append("token", token);
    form.append("drawing", JSON.stringify({ mark, ...drawing.plain() }));
    try {
      const answer = await fetch(`${url}/drawing`, { method: "POST", body: form,
        headers: { accept: "application/json" } });
      const plain = await answer.json();
      if (answer.ok) take(plain, order);
      else {
        tell(plain.message, true);
        if (answer.status === 409) localStorage.removeItem(kept);
      }
    } catch {
      dirty = true;
      tell(say.away, true);
      timer = setTimeout(send, 4000);
    }
    busy = false;
    if (dirty && navigator.onLine) { clearTimeout(timer); timer = setTimeout(send, 400); }
  }
  function take(plain, order) {
    mark = plain.mark;
    order.forEach((key, place) => {
      const one = drawing.part(key);
      if (one) { one.id = plain.parts[place].id; one.like = ""; }
    });
    if (dirty) keep(); else { localStorage.removeItem(kept); tell(say.saved); }
    taken();
  }
  // Takes up what this phone had kept, unless the view was changed elsewhere since.
  function restore() {
    try {
      const found = JSON.parse(localStorage.getItem(kept));
      if (!found) return;
      localStorage.removeItem(kept);
      if (found.mark !== mark) return;
      drawing.now = { ...found.now, parts: found.now.parts.map((one) => drawing.withKey(one)) };
      tell(say.restored);
      save();
    } catch { /* nothing was kept */ }
  }
  window.addEventListener("online", send);
  window.addEventListener("pagehide", () => { if (dirty) keep(); });
  return { save, restore };
}
