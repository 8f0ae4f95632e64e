// What cannot be sent now stays on this phone, in its own database, and is sent later in the
// order in which it was made. Each thing has a key, so that the server writes it once, however
// often it comes. Without this script the forms are sent as any form is.
"use strict";
document.documentElement.classList.add("script");

const Queue = (() => {
  const person = document.body.dataset.person;
  const box = document.getElementById("queue");
  let busy = false;

  function open() {
    return new Promise((done, fail) => {
      const request = indexedDB.open("verify", 1);
      request.onupgradeneeded = () =>
        request.result.createObjectStore("kept", { keyPath: "id", autoIncrement: true });
      request.onsuccess = () => done(request.result);
      request.onerror = () => fail(request.error);
    });
  }

  async function store(mode, work) {
    const database = await open();
    try {
      return await new Promise((done, fail) => {
        const transaction = database.transaction("kept", mode);
        const request = work(transaction.objectStore("kept"));
        transaction.oncomplete = () => done(request.result);
        transaction.onerror = transaction.onabort = () => fail(transaction.error);
      });
    } finally {
      database.close();
    }
  }

  const all = () => store("readonly", (kept) => kept.getAll());
  const keep = (item) => store("readwrite", (kept) => kept.add(item));
  const change = (item) => store("readwrite", (kept) => kept.put(item));
  const drop = (id) => store("readwrite", (kept) => kept.delete(id));

  function body(item, token) {
    const form = new FormData();
    for (const [name, value] of item.fields) form.append(name, value);
    form.set("token", token);
    if (item.picture) form.append("picture", item.picture, "photo.jpg");
    return form;
  }

  // Resolves with the answer; rejects only where there was none.
  function send(item, token, progress) {
    return new Promise((done, fail) => {
      const request = new XMLHttpRequest();
      request.open("POST", item.url);
      request.setRequestHeader("Accept", "application/json");
      request.timeout = 180000;
      if (progress) request.upload.onprogress = (e) => progress(e.loaded / (e.total || 1));
      request.onload = () => {
        let told = {};
        try { told = JSON.parse(request.responseText); } catch { /* a proxy's page */ }
        // A proxy that cannot reach the server answers for it: that is no answer.
        if ([502, 503, 504].includes(request.status)) fail(new Error("no answer"));
        else done({ status: request.status, told });
      };
      request.onerror = request.ontimeout = () => fail(new Error("no answer"));
      request.send(body(item, token));
    });
  }

  async function flush() {
    if (busy) return;
    busy = true;
    try {
      // Two pages of this phone must not send the same thing at the same time.
      if (navigator.locks) await navigator.locks.request("verify-queue", flushAll);
      else await flushAll();
    } catch { /* still offline */ } finally {
      busy = false;
      await show();
    }
  }

  async function flushAll() {
    const items = (await all()).filter((item) => !item.refused);
    if (!items.length) return;
    const who = await (await fetch("/who.json", { cache: "no-store" })).json();
    let sent = 0;
    for (const item of items) {
      if (item.person !== who.person) continue;
      const { status, told } = await send(item, who.token);
      if (status < 400) { await drop(item.id); sent += 1; }
      else if (status === 401 || status === 429 || status >= 500) break;
      else await change({ ...item, refused: told.message || String(status) });
    }
    if (sent && !document.querySelector("form[data-busy]")) location.reload();
  }

  async function show() {
    const items = await all();
    box.hidden = !items.length;
    if (!items.length) return;
    box.textContent = "";
    const waiting = items.filter((i) => !i.refused && i.person === person);
    const others = items.filter((i) => !i.refused && i.person !== person);
    const refused = items.filter((i) => i.refused && i.person === person);
    const line = (text) => { const p = document.createElement("div"); p.textContent = text; box.append(p); };
    if (waiting.length) line(`${waiting.length} ${box.dataset.kept}`);
    if (others.length) line(person ? `${box.dataset.other}: ${others.length}` : box.dataset.signin);
    if (!refused.length) return;
    const list = document.createElement("ul");
    for (const item of refused) {
      const row = document.createElement("li");
      const text = document.createElement("span");
      text.textContent = `${item.title} ${box.dataset.refused}: ${item.refused}`;
      row.append(text, button(box.dataset.again, async () => {
        delete item.refused; await change(item); flush();
      }), button(box.dataset.drop, async () => {
        if (confirm(box.dataset.sure)) { await drop(item.id); show(); }
      }));
      list.append(row);
    }
    box.append(list);
  }

  function button(text, work) {
    const made = document.createElement("button");
    made.type = "button"; made.textContent = text; made.onclick = work;
    return made;
  }

  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  // Sends a form; what gets no answer is kept. Earlier things go first, so that the order stays.
  async function submit(form, picture, submitter, progress) {
    const given = [...new FormData(form, submitter)].filter(([, value]) => typeof value === "string");
    // A page that was kept on the phone is sent from more than once: each time is a new thing.
    const fields = given.map(([name, value]) => (name === "key" ? [name, newKey()] : [name, value]));
    const item = {
      url: new URL(form.action).pathname, fields, picture, person,
      title: document.title, at: Date.now(),
    };
    const token = form.querySelector("[name=token]").value;
    const earlier = (await all()).some((i) => !i.refused && i.person === person);
    if (!earlier) {
      try { return await send(item, token, progress); } catch { /* kept below */ }
    }
    await keep(item);
    await show();
    flush();
    return null;
  }

  window.addEventListener("online", flush);
  setInterval(flush, 20000);
  flush();
  return { submit, show };
})();

// Forms of the crew: sent by script, so that nothing is lost where there is no network.
for (const form of document.querySelectorAll("form[data-keep]:not([data-keep=photo])")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.dataset.busy) return;
    form.dataset.busy = "1";
    const answer = await Queue.submit(form, null, event.submitter);
    delete form.dataset.busy;
    if (answer === null) return onward();
    if (answer.status < 400) return go(answer.told.next);
    tell(form, answer.told.message || String(answer.status));
  });
}

function go(url) {
  const target = new URL(url, location.href);
  if (target.pathname === location.pathname) { location.hash = target.hash; location.reload(); }
  else location.assign(target);
}

// Kept on the phone: on to the next step, as if it had been taken.
function onward() {
  const link = document.querySelector("#onward");
  if (link) location.assign(link.href);
}

function tell(form, text) {
  let note = form.querySelector(".told");
  if (!note) {
    note = document.createElement("p");
    note.className = "note note-stop told";
    note.setAttribute("role", "alert");
    form.prepend(note);
  }
  note.textContent = text;
}
