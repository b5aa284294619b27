// The unread count asks only while somebody sees the page, and at once when they come back.
document.addEventListener("htmx:beforeRequest", (event) => {
  if (document.hidden && event.target.id === "inbox-count") event.preventDefault();
});
document.addEventListener("visibilitychange", () => {
  const count = document.getElementById("inbox-count");
  if (!document.hidden && count && window.htmx) window.htmx.trigger(count, "seen-again");
});

// On a phone the links are one row to be pushed sideways: begin where the page is.
document.addEventListener("DOMContentLoaded", () => {
  const here = document.querySelector(".main-nav [aria-current]");
  const row = document.querySelector(".nav-line");
  if (here && row) row.scrollLeft = here.offsetLeft - row.offsetLeft - row.clientWidth / 3;
});

// A photo that is only to be read is sent as soon as it is taken; the button does the same.
document.addEventListener("change", (event) => {
  const sends = event.target.dataset && event.target.dataset.sends;
  const button = sends && document.getElementById(sends);
  if (button && event.target.files.length) button.click();
});
document.addEventListener("submit", (event) => {
  const said = event.submitter && event.submitter.parentElement.querySelector("[data-waiting]");
  if (said) said.textContent = said.dataset.waiting;
});
