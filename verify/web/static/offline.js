// Keeps the pages of a rebuild on the phone, so that the next step is there without a network.
"use strict";
(async () => {
  if (!("serviceWorker" in navigator)) return;
  try {
    await navigator.serviceWorker.register("/worker.js");
    const worker = (await navigator.serviceWorker.ready).active;
    const links = [...document.querySelectorAll(".steps a, .crumb a")].map((a) => a.href);
    worker.postMessage({ person: document.body.dataset.person, keep: [location.href, ...links] });
  } catch { /* a browser that does not trust the certificate keeps nothing */ }
})();
