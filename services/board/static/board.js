// Times in the viewer's zone, and pointing at a chart's marks. The pages say
// the same without it.
"use strict";
(() => {
  const format = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
  for (const t of document.querySelectorAll("time[datetime]")) {
    const at = new Date(t.dateTime);
    if (!Number.isNaN(at.valueOf())) {
      t.title = t.textContent;
      t.textContent = format.format(at);
    }
  }

  // Fields of date and time are given in UTC; show and read them in the zone here.
  for (const f of document.querySelectorAll("input[data-local]")) {
    const at = new Date(f.value + "Z");
    const offset = at.getTimezoneOffset();
    f.value = new Date(at - offset * 60000).toISOString().slice(0, 16);
    const hidden = document.createElement("input");
    hidden.type = "hidden";
    hidden.name = f.name + "_offset";
    hidden.value = offset;
    f.after(hidden);
    f.addEventListener("change", () => { hidden.value = new Date(f.value).getTimezoneOffset(); });
    const zone = f.closest("form").querySelector("[data-zone]");
    if (zone) zone.textContent = "";
  }

  for (const charts of document.querySelectorAll("[data-chart]")) {
    const out = charts.querySelector(".readout");
    let lit = null;
    const light = (mark) => {
      if (lit) lit.classList.remove("lit");
      lit = mark;
      if (mark) mark.classList.add("lit");
      out.textContent = mark ? mark.querySelector("title").textContent : "";
    };
    charts.addEventListener("pointermove", (e) => {
      const svg = e.target.closest("svg");
      if (!svg) return light(null);
      let best = null, least = 32;
      for (const m of svg.querySelectorAll(".mark")) {
        const b = m.getBoundingClientRect();
        const d = Math.hypot(b.x + b.width / 2 - e.clientX, b.y + b.height / 2 - e.clientY);
        if (d < least && m.querySelector("title")) { least = d; best = m; }
      }
      light(best);
    });
    charts.addEventListener("pointerleave", () => light(null));

    // Dragging across a chart shows those days alone.
    let from = null;
    charts.addEventListener("pointerdown", (e) => { from = e.target.closest("svg") ? e.clientX : null; });
    charts.addEventListener("dblclick", () => { const u = new URL(location); u.searchParams.delete("span"); location = u; });
    charts.addEventListener("pointerup", (e) => {
      const svg = e.target.closest("svg");
      if (from === null || !svg || Math.abs(e.clientX - from) < 40) return;
      const b = svg.getBoundingClientRect();
      const now = svg.querySelector(".now");
      const right = now ? now.getBoundingClientRect().x : b.right;
      const first = svg.querySelector(".mark title");
      if (!first) return;
      const days = Number(charts.dataset.days || 0);
      const share = (right - Math.min(from, e.clientX)) / (right - b.x);
      if (days > 0 && share > 0) {
        const u = new URL(location);
        u.searchParams.set("span", String(Math.max(7, Math.round(days * share))));
        location = u;
      }
    });
  }
})();
