// Forms at a bench: gloves tap twice, networks are slow, sessions end while somebody types.

const KEPT = "form-kept";
// What opens beside the page (label sheets) may be asked for again.
const posts = (form) => form.method === "post" && !form.target && form.closest("main");

// A second tap while the first is on its way sends nothing.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!posts(form)) return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  delete form.dataset.typed;
  keep(form);
});
window.addEventListener("pageshow", () => {
  for (const form of document.forms) delete form.dataset.sent;
});

// What was typed is asked for before it is left behind.
document.addEventListener("input", (event) => {
  const form = event.target.form;
  if (form && posts(form)) form.dataset.typed = "yes";
});
window.addEventListener("beforeunload", (event) => {
  if (document.querySelector("main form[data-typed]")) event.preventDefault();
});

// Where the session had ended, what was sent stands in the form again after signing in. It is kept
// in this tab alone, until the next page of the site; files and secrets are never kept.
const NEVER_KEPT = ["file", "password", "hidden", "submit", "button"];
const fieldsOf = (form) => [...form.elements].filter((one) => one.name && !NEVER_KEPT.includes(one.type));

function keep(form) {
  const place = [...document.querySelectorAll("main form")].indexOf(form);
  const fields = fieldsOf(form).map((one) => [one.name, one.value, one.checked]);
  sessionStorage.setItem(KEPT, JSON.stringify({ page: location.pathname, place, fields }));
}

document.addEventListener("DOMContentLoaded", () => {
  const kept = JSON.parse(sessionStorage.getItem(KEPT) || "null");
  sessionStorage.removeItem(KEPT);
  const from = document.referrer && new URL(document.referrer);
  const signedIn = from && from.origin === location.origin && from.pathname === "/sign-in/";
  if (!kept || !signedIn || kept.page !== location.pathname) return;
  const form = document.querySelectorAll("main form")[kept.place];
  if (!form) return;
  for (const [index, field] of fieldsOf(form).entries()) {
    const [name, value, checked] = kept.fields[index] || [];
    if (name !== field.name) continue;
    if (field.type === "checkbox" || field.type === "radio") field.checked = checked;
    else field.value = value;
  }
  form.dataset.typed = "yes";
});

// A slash goes to the field that opens anything by its code, as long as nobody is typing.
document.addEventListener("keydown", (event) => {
  const typing = event.target.closest("input, select, textarea, [contenteditable]");
  if (event.key !== "/" || typing || event.ctrlKey || event.metaKey || event.altKey) return;
  const field = document.getElementById("top-code");
  if (!field) return;
  event.preventDefault();
  field.focus();
});
