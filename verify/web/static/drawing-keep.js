// Sends a drawing after every change; without a connection it stays on this phone until there is
// one. ``tell(text, wrong)`` says how it went, ``taken()`` that parts have their ids.
export class Keeper {
  #mark;
  #timer = null;
  #busy = false;
  #dirty = false;

  constructor(drawing, mark, { url, token }, tell, taken) {
    this.drawing = drawing;
    this.#mark = mark;
    this.url = url;
    this.token = token;
    this.tell = tell;
    this.taken = taken;
    this.place = `drawing ${url}`; // in what the phone keeps
    window.addEventListener("online", () => this.#send());
    window.addEventListener("pagehide", () => { if (this.#dirty) this.#keep(); });
  }

  save() {
    this.#dirty = true;
    this.#keep();
    this.#soon(400);
  }

  // Takes up what this phone had kept, unless the view was changed elsewhere since.
  restore() {
    const { drawing } = this;
    try {
      const found = JSON.parse(localStorage.getItem(this.place));
      if (!found) return;
      localStorage.removeItem(this.place);
      if (found.mark !== this.#mark) return;
      drawing.now = { ...found.now, parts: found.now.parts.map((one) => drawing.withKey(one)) };
      this.tell(drawing.words.restored);
      this.save();
    } catch { /* nothing was kept */ }
  }

  #soon(milliseconds) {
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#send(), milliseconds);
  }

  #keep() {
    const kept = JSON.stringify({ mark: this.#mark, now: this.drawing.now });
    try { localStorage.setItem(this.place, kept); } catch { /* full or forbidden */ }
  }

  async #send() {
    if (this.#busy || !this.#dirty) return;
    const { drawing, tell } = this;
    this.#busy = true;
    this.#dirty = false;
    tell(drawing.words.saving);
    const order = drawing.now.parts.map((one) => one.key);
    const form = new FormData();
    form.append("token", this.token);
    form.append("drawing", JSON.stringify({ mark: this.#mark, ...drawing.plain() }));
    try {
      const answer = await fetch(`${this.url}/drawing`, { method: "POST", body: form,
        headers: { accept: "application/json" } });
      const plain = await answer.json();
      if (answer.ok) this.#take(plain, order);
      else {
        tell(plain.message, true);
        if (answer.status === 409) localStorage.removeItem(this.place);
      }
    } catch {
      this.#dirty = true;
      tell(drawing.words.away, true);
      this.#soon(4000);
    }
    this.#busy = false;
    if (this.#dirty && navigator.onLine) this.#soon(400);
  }

  #take(plain, order) {
    this.#mark = plain.mark;
    order.forEach((key, place) => {
      const one = this.drawing.part(key);
      if (one) { one.id = plain.parts[place].id; one.like = ""; }
    });
    if (this.#dirty) this.#keep();
    else { localStorage.removeItem(this.place); this.tell(this.drawing.words.saved); }
    this.taken();
  }
}
