// Days are the viewer's: each day of a form goes with how far its beginning, or
// that of the day after, lies from UTC. Without this they are UTC's.
"use strict";
for (const form of document.querySelectorAll("form[data-days]")) {
  for (const day of form.querySelectorAll("input[data-day]")) {
    const offset = document.createElement("input");
    offset.type = "hidden";
    offset.name = day.name + "_offset";
    day.after(offset);
    const set = () => {
      const [y, m, d] = day.value.split("-").map(Number);
      offset.disabled = !day.value;
      offset.value = day.value ? new Date(y, m - 1, d + Number(day.dataset.day)).getTimezoneOffset() : "";
    };
    day.addEventListener("change", set);
    set();
  }
  for (const zone of form.querySelectorAll("[data-zone]")) zone.textContent = "";
}
