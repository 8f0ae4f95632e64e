// Loads a page anew after the seconds that it names, unless somebody is at work on it.
"use strict";
(() => {
  const seconds = Number(document.currentScript.dataset.seconds);
  setInterval(() => {
    if (!document.activeElement || document.activeElement === document.body) location.reload();
  }, seconds * 1000);
})();
