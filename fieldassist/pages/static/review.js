"use strict";
// Bay review. The pages work without this script; it only hides pick lists that mean nothing for what is picked.

for (const holder of document.querySelectorAll("[data-picks]")) {
  const fields = JSON.parse(holder.dataset.fields);
  const kind = holder.querySelector('[name="kind"]');
  const narrow = () => {
    const wanted = fields[kind.value] || [];
    for (const field of holder.querySelectorAll("[data-for]")) {
      const name = field.dataset.for;
      field.hidden = name === "present" ? !kind.value || wanted.includes("value") : !wanted.includes(name);
      const control = field.querySelector("select, input");
      control.disabled = field.hidden;
      let lost = false;
      for (const option of field.querySelectorAll("option[data-kind]")) {
        option.hidden = option.disabled = option.dataset.kind !== kind.value;
        lost = lost || (option.selected && option.disabled);
      }
      if (lost || (control.tagName === "SELECT" && control.selectedIndex < 0)) {
        control.value = (control.querySelector("option:not([disabled])") || { value: "" }).value;
      }
    }
  };
  kind.addEventListener("change", narrow);
  narrow();
}

// One clip at a time.
document.addEventListener("play", (event) => {
  for (const clip of document.querySelectorAll("audio")) if (clip !== event.target) clip.pause();
}, true);
