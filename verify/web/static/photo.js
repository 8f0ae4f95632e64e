// A photo for a set-up is sent as soon as it is chosen, and the page says that it is on its way.
"use strict";
for (const form of document.querySelectorAll("form[data-photo]")) {
  const file = form.querySelector("input[type=file]");
  const send = () => {
    form.querySelector("label").hidden = true;
    form.querySelector("[data-busy]").hidden = false;
  };
  form.addEventListener("submit", send);
  file.addEventListener("change", () => {
    if (file.files[0]) form.requestSubmit();
  });
  window.addEventListener("pageshow", () => {
    form.querySelector("label").hidden = false;
    form.querySelector("[data-busy]").hidden = true;
  });
}
