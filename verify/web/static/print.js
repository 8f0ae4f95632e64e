// Buttons that print the page.
"use strict";
for (const one of document.querySelectorAll("[data-print]")) {
  one.hidden = false;
  one.addEventListener("click", () => window.print());
}
