"use strict";
// Sends the photo as soon as it is chosen, and says what is going on meanwhile.
// Without scripts the form works all the same, with its own button.
const form = document.getElementById("send");
const input = document.getElementById("photo");
const status = document.getElementById("status");
const clock = document.getElementById("clock");
let ticking = 0;

form.classList.add("scripted");
input.addEventListener("change", () => {
  const photo = input.files[0];
  if (!photo) {
    return;
  }
  const limit = Number(form.dataset.limitMb) * 1024 * 1024;
  if (photo.size > limit) {
    status.textContent = "This photo is larger than " + form.dataset.limitMb +
      " MB. Take it with the phone's ordinary photo mode.";
    input.value = "";
    return;
  }
  form.requestSubmit();
});
form.addEventListener("submit", () => {
  form.classList.add("busy");
  status.textContent = "Sending the photo and reading it \u2026";
  // Seconds go by where only the eye follows them: a screen reader would read every one.
  const began = Date.now();
  ticking = setInterval(() => {
    clock.textContent = Math.round((Date.now() - began) / 1000) + " s";
  }, 1000);
});
// Coming back with the browser's own button must not find the form locked.
window.addEventListener("pageshow", () => {
  clearInterval(ticking);
  form.classList.remove("busy");
  status.textContent = "";
  clock.textContent = "";
});
