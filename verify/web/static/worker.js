// Answers from what the phone has kept when the network does not. Never keeps an error, and
// forgets everything when somebody signs out.
"use strict";
const KEPT = "verify-pages-1";
const WANTED = /^\/($|static\/|rebuild\/[^/]+(\/step\/[^/]+)?$|machine\/.*\.jpg$|rebuild\/.*\.jpg$)/;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function keep(request, answer) {
  if (answer.ok && !answer.redirected) (await caches.open(KEPT)).put(request, answer);
}

async function fromNetwork(request) {
  try {
    const answer = await fetch(request);
    if (answer.status === 502 || answer.status === 504) throw new Error("no server");
    keep(request, answer.clone()).catch(() => {});
    return answer;
  } catch (error) {
    const kept = await caches.match(request, { ignoreVary: true });
    if (kept) return kept;
    throw error;
  }
}

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== location.origin) return;
  if (event.request.method === "POST" && url.pathname === "/sign-out") {
    event.waitUntil(caches.delete(KEPT));
    return;
  }
  if (event.request.method !== "GET" || !WANTED.test(url.pathname)) return;
  event.respondWith(fromNetwork(event.request));
});

// The steps of a rebuild and their reference pictures, fetched once ahead of time.
self.addEventListener("message", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(KEPT);
    for (const url of event.data.keep) {
      if (await cache.match(url)) continue;
      const answer = await fetch(url, { credentials: "same-origin" });
      if (!answer.ok || answer.redirected) continue;
      const text = await answer.clone().text();
      await cache.put(url, answer);
      for (const [, src] of text.matchAll(/<img[^>]* src="(\/machine\/[^"]+\/master\.jpg)"/g)) {
        if (!(await cache.match(src))) {
          const picture = await fetch(src, { credentials: "same-origin" });
          if (picture.ok) await cache.put(src, picture);
        }
      }
    }
  })().catch(() => {}));
});
