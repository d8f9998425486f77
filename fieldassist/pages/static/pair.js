"use strict";
// The door: sends the pairing code, from the form or from behind the # of the address.

const form = document.getElementById("door");
const field = document.getElementById("code");
const answer = document.getElementById("answer");

// Only a session's own page may be asked for; anything else begins at the start.
const asked = new URLSearchParams(location.search).get("then") || "";
const then = /^\/session\/[^/\\?#]+$/.test(asked) ? asked : "/";

async function join(code) {
  answer.textContent = "Joining…";
  try {
    const response = await fetch("/pair", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code }),
    });
    if (response.ok) {
      location.replace(then);
      return;
    }
    const told = await response.json().catch(() => ({}));
    answer.textContent = told.message || "That did not work.";
  } catch {
    answer.textContent = "No connection. Is the drive still running?";
  }
  field.focus();
  field.select();
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  join(field.value);
});

const key = decodeURIComponent(location.hash.slice(1));
if (key) {
  history.replaceState(null, "", "/pair"); // the key does not stay in the address bar
  join(key);
} else {
  field.focus();
}
