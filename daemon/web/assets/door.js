// What a page by which somebody gets in, or lets somebody in, does better with
// a script. All of it can be done by hand too.
"use strict";
(function () {
  // A link's secret stands behind the #, which no server is sent. It goes into
  // the form, and out of the address and the history.
  const token = document.querySelector("[data-token]");
  if (token) {
    const field = token.querySelector("input");
    const brought = location.hash.slice(1);
    if (brought) {
      field.value = brought;
      history.replaceState(null, "", location.pathname);
    }
    if (field.value) token.hidden = true;
  }

  for (const button of document.querySelectorAll("[data-show]")) {
    const field = button.parentElement.querySelector("input");
    button.hidden = false;
    button.addEventListener("click", () => {
      const shown = field.type === "text";
      field.type = shown ? "password" : "text";
      button.setAttribute("aria-pressed", String(!shown));
      field.focus();
    });
    if (field.form) field.form.addEventListener("submit", () => { field.type = "password"; });
  }

  for (const place of document.querySelectorAll("[data-copy]")) {
    const field = document.getElementById(place.dataset.copy);
    const button = place.querySelector("button");
    if (!field) continue;
    place.hidden = false;
    button.addEventListener("click", async () => {
      field.select();
      let done = false;
      try {
        await navigator.clipboard.writeText(field.value);
        done = true;
      } catch (e) { // not there without a trusted certificate
        done = document.execCommand("copy");
      }
      if (done) button.textContent = button.dataset.copied;
    });
  }
})();
