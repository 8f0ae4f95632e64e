// The photo of a step: sent as soon as it is taken, with progress; where the browser allows, the
// camera's picture with the outlines of the reference laid over it.
"use strict";
(() => {
  const form = document.getElementById("photo-form");
  if (!form) return;
  const file = form.querySelector(".file");
  const chooser = form.querySelector(".chooser");
  const live = form.querySelector(".live");
  const video = form.querySelector("video");
  const sending = form.querySelector(".sending");
  const bar = sending.querySelector("progress");
  const looking = sending.querySelector(".looking");

  async function deliver(picture) {
    if (form.dataset.busy) return;
    form.dataset.busy = "1";
    chooser.hidden = true;
    live.hidden = true;
    sending.hidden = false;
    looking.hidden = true;
    const answer = await Queue.submit(form, picture, undefined, (share) => {
      bar.value = share;
      looking.hidden = share < 1;
    });
    delete form.dataset.busy;
    sending.hidden = true;
    chooser.hidden = false;
    file.value = "";
    if (answer === null) return onward();
    if (answer.status < 400) return go(answer.told.next);
    tell(form, answer.told.message || String(answer.status));
  }

  file.addEventListener("change", () => { if (file.files[0]) deliver(file.files[0]); });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (file.files[0]) deliver(file.files[0]); else file.click();
  });

  const again = document.getElementById("again");
  if (again) again.addEventListener("click", (event) => { event.preventDefault(); file.click(); });

  if (!navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) return;
  const on = form.querySelector(".live-on");
  on.hidden = false;
  let stream = null;

  function off() {
    if (stream) stream.getTracks().forEach((track) => track.stop());
    stream = null;
    video.srcObject = null;
    live.hidden = true;
    chooser.hidden = false;
  }

  on.addEventListener("click", async () => {
    try {
      stream = await navigator.mediaDevices.getUserMedia({
        video: { facingMode: "environment", width: { ideal: 4096 }, height: { ideal: 3072 } },
      });
    } catch {
      on.hidden = true; // not allowed, or no camera: the phone's own one is left
      return;
    }
    video.srcObject = stream;
    await video.play();
    chooser.hidden = true;
    live.hidden = false;
  });
  form.querySelector(".live-off").addEventListener("click", off);
  form.querySelector(".shutter").addEventListener("click", () => {
    const canvas = document.createElement("canvas");
    canvas.width = video.videoWidth;
    canvas.height = video.videoHeight;
    canvas.getContext("2d").drawImage(video, 0, 0);
    canvas.toBlob((blob) => { off(); if (blob) deliver(blob); }, "image/jpeg", 0.92);
  });
  window.addEventListener("pagehide", off);
})();
