// The unread count asks only while somebody sees the page, and at once when they come back.
document.addEventListener("htmx:beforeRequest", (event) => {
  if (document.hidden && event.target.id === "inbox-count") event.preventDefault();
});
document.addEventListener("visibilitychange", () => {
  const count = document.getElementById("inbox-count");
  if (!document.hidden && count && window.htmx) window.htmx.trigger(count, "seen-again");
});
