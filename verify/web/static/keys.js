// 1, 2, 3 and 0 press the buttons that carry them, unless somebody is typing.
"use strict";
document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.repeat) return;
  if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
  const wanted = document.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
  if (wanted) wanted.click();
});
