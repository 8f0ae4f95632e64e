// Answers from what the phone has kept when the network does not. Never keeps an error, and
// forgets everything when somebody signs out.
"use strict";
const KEPT = "verify-pages-2";
const AWAY = "/offline";
const WANTED = /^\/($|static\/|rebuild\/[^/]+(\/step\/[^/]+)?$|machine\/.*\.jpg$|rebuild\/.*\.jpg$)/;
const STEP = /href="(\/rebuild\/[^"/]+\/step\/[^"/]+)"/g;
const PICTURE = /<img[^>]* src="(\/machine\/[^"]+\/master\.jpg)"/g;
const MOST = 200; // pages and pictures that are fetched ahead of time at once

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keepAway());
});
self.addEventListener("activate", (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name !== KEPT) await caches.delete(name);
  await self.clients.claim();
})()));

async function keepAway() {
  const cache = await caches.open(KEPT);
  await cache.addAll([AWAY, "/static/verify.css", "/static/queue.js", "/static/offline.js",
    "/static/camera.js", "/static/mark.svg"]);
}

async function keep(request, answer) {
  if (answer.ok && !answer.redirected) (await caches.open(KEPT)).put(request, answer);
}

async function fromNetwork(request) {
  try {
    const answer = await fetch(request);
    if ([502, 503, 504].includes(answer.status)) throw new Error("no server");
    keep(request, answer.clone()).catch(() => {});
    return answer;
  } catch (error) {
    const kept = await caches.match(request, { ignoreVary: true });
    if (kept) return kept;
    const away = request.mode === "navigate" && await caches.match(AWAY);
    if (away) return away;
    throw error;
  }
}

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== location.origin) return;
  if (event.request.method === "POST" && url.pathname === "/sign-out") {
    event.waitUntil(caches.delete(KEPT).then(keepAway));
    return;
  }
  if (event.request.method !== "GET") return;
  if (!WANTED.test(url.pathname) && event.request.mode !== "navigate") return;
  if (WANTED.test(url.pathname)) event.respondWith(fromNetwork(event.request));
  else event.respondWith(fetch(event.request).catch(async (error) => {
    const away = await caches.match(AWAY);
    if (away) return away;
    throw error;
  }));
});

// A rebuild, its steps and their reference pictures, fetched once ahead of time.
self.addEventListener("message", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(KEPT);
    const wanted = [...new Set(event.data.keep)];
    for (let place = 0; place < Math.min(wanted.length, MOST); place += 1) {
      const url = new URL(wanted[place], location.origin).pathname;
      let answer = await cache.match(url);
      if (!answer) {
        answer = await fetch(url, { credentials: "same-origin" });
        if (!answer.ok || answer.redirected) continue;
        await cache.put(url, answer.clone());
      }
      if (!(answer.headers.get("content-type") || "").startsWith("text/html")) continue;
      const text = await answer.text();
      for (const found of [...text.matchAll(STEP), ...text.matchAll(PICTURE)]) {
        if (!wanted.includes(found[1])) wanted.push(found[1]);
      }
    }
  })().catch(() => {}));
});
