"use strict";
// Takes the code from the address (behind '#', so that it never travels in an address) or from the
// field, and hands it over once.
(() => {
  const field = document.getElementById("code"), complaint = document.getElementById("complaint");
  const open = async (code) => {
    complaint.textContent = "";
    try {
      const answer = await fetch("/open", { method: "POST", body: JSON.stringify({ code }) });
      if (answer.ok) location.replace("/");
      else complaint.textContent = (await answer.text()).trim();
    } catch {
      complaint.textContent = "The logger does not answer; is it still running?";
    }
  };
  document.getElementById("gate").addEventListener("submit", (event) => {
    event.preventDefault();
    open(field.value.trim().toUpperCase());
  });
  const given = location.hash.slice(1);
  if (given) {
    history.replaceState(null, "", "/");
    open(given);
  } else {
    field.focus();
  }
})();
