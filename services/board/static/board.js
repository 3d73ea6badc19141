// Times in the viewer's zone, pointing at a chart's marks and choosing its days. The pages say
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
    const drawnFor = 920; // width of the chart the page came with, px
    const plot = () => charts.querySelector(".plot");
    const svg = () => charts.querySelector(".plot svg");
    let width = drawnFor, query = location.search, asked = 0;

    // Days are chosen without loading the page anew; the address follows.
    const show = async (next, zoomed) => {
      const mine = ++asked;
      const params = new URLSearchParams(next);
      params.delete("done");
      params.set("width", String(Math.round(plot().clientWidth)));
      width = plot().clientWidth;
      charts.setAttribute("aria-busy", "true");
      try {
        const res = await fetch(charts.dataset.chart + "?" + params, { credentials: "same-origin" });
        if (!res.ok || res.redirected) throw new Error("signed out or gone");
        const text = await res.text();
        if (mine !== asked) return;
        const focused = charts.contains(document.activeElement) && document.activeElement.classList.contains("plot");
        if (!zoomed && !charts.querySelector(".paper")) {
          const paper = document.createElement("div"); // what is printed keeps the page's proportions
          paper.className = "paper";
          paper.append(svg());
          charts.after(paper);
          charts.classList.add("has-paper");
        }
        if (zoomed) {
          charts.parentElement.querySelector(".paper")?.remove();
          charts.classList.remove("has-paper");
          query = next;
          history.replaceState(null, "", location.pathname + next);
        }
        charts.innerHTML = text;
        charts.classList.add("fitted");
        if (focused) plot().focus();
      } catch {
        if (zoomed) location.search = next;
      } finally {
        charts.removeAttribute("aria-busy");
      }
    };
    const fit = () => { if (Math.abs(plot().clientWidth - width) > 120) show(query, false); };
    fit();
    let resizing = 0;
    addEventListener("resize", () => { clearTimeout(resizing); resizing = setTimeout(fit, 250); });

    charts.addEventListener("click", (e) => {
      const a = e.target.closest("nav a");
      if (!a || e.ctrlKey || e.metaKey || e.shiftKey) return;
      e.preventDefault();
      show(new URL(a.href).search, true);
    });
    charts.addEventListener("keydown", (e) => {
      if (!e.target.classList.contains("plot")) return;
      const a = [...charts.querySelectorAll("nav a")].find((a) => a.dataset.key === (e.key === "=" ? "+" : e.key));
      if (!a) return;
      e.preventDefault();
      show(new URL(a.href).search, true);
    });

    // Pointing at a mark says what it is.
    let lit = null;
    const light = (mark) => {
      if (lit) lit.classList.remove("lit");
      lit = mark;
      if (mark) mark.classList.add("lit");
      charts.querySelector(".readout").textContent = mark ? mark.querySelector("title").textContent : "";
    };
    // Dragging across the chart shows those days alone.
    let from = null, band = null;
    const dayAt = (x) => {
      const s = svg(), b = s.getBoundingClientRect(), scale = b.width / s.viewBox.baseVal.width;
      const left = b.x + Number(s.dataset.left) * scale, right = b.x + Number(s.dataset.right) * scale;
      const begin = Date.parse(s.dataset.from), end = Date.parse(s.dataset.to);
      return begin + (end - begin) * Math.min(Math.max((x - left) / (right - left), 0), 1);
    };
    const stop = () => { from = null; band?.remove(); band = null; };
    charts.addEventListener("pointerdown", (e) => { if (e.pointerType === "mouse" && e.target.closest(".plot svg")) { from = e.clientX; e.preventDefault(); plot().focus({ preventScroll: true }); } });
    charts.addEventListener("pointermove", (e) => {
      const s = e.target.closest(".plot svg");
      if (from !== null) {
        if (!band) { band = document.createElement("div"); band.className = "band-chosen"; plot().append(band); }
        const b = plot().getBoundingClientRect();
        band.style.left = Math.min(from, e.clientX) - b.x + plot().scrollLeft + "px";
        band.style.width = Math.abs(e.clientX - from) + "px";
        return;
      }
      if (!s) return light(null);
      let best = null, least = 32;
      for (const m of s.querySelectorAll(".mark")) {
        const b = m.getBoundingClientRect();
        const d = Math.hypot(b.x + b.width / 2 - e.clientX, b.y + b.height / 2 - e.clientY);
        if (d < least && m.querySelector("title")) { least = d; best = m; }
      }
      light(best);
    });
    charts.addEventListener("pointerleave", () => { light(null); stop(); });
    charts.addEventListener("pointerup", (e) => {
      if (from === null) return;
      const a = from, far = Math.abs(e.clientX - from) >= 20;
      stop();
      if (!far) return;
      const ends = [dayAt(a), dayAt(e.clientX)].sort((p, q) => p - q);
      const params = new URLSearchParams(query);
      for (const name of ["span", "done"]) params.delete(name);
      params.set("from", new Date(ends[0]).toISOString().slice(0, 10));
      params.set("to", new Date(Math.max(ends[1], ends[0] + 3 * 86400000) + 86400000).toISOString().slice(0, 10));
      show("?" + params, true);
    });
  }
})();
