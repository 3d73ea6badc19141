// Times in the viewer's zone, pointing at a chart's marks and choosing its days. The pages say
// the same without it.
"use strict";
(() => {
  // One form for all: 27 Nov 2026, 14:05. Formats of the browser's language put
  // months and days in orders that one reader takes for another.
  const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const dayWords = (at) => `${at.getDate()} ${months[at.getMonth()]} ${at.getFullYear()}`;
  // Charts are drawn by the server; it marks the days of this zone. A name of a zone
  // needs no quoting in a cookie but for its slashes, which are allowed there.
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  if (/^[A-Za-z0-9_+\/-]+$/.test(zone ?? "")) document.cookie = `creepage_zone=${zone}; path=/; max-age=31536000; samesite=lax`;
  const two = (n) => String(n).padStart(2, "0");
  const momentWords = (at) => `${dayWords(at)}, ${two(at.getHours())}:${two(at.getMinutes())}`;
  for (const t of document.querySelectorAll("time[datetime]")) {
    const at = new Date(t.dateTime);
    if (Number.isNaN(at.valueOf())) continue;
    if (t.dataset.day === undefined) t.title = t.textContent;
    t.textContent = t.dataset.day === undefined ? momentWords(at) : dayWords(at);
  }

  // A field of days is written in the browser's own order; beside it stands the day in words.
  const sayDay = (f) => {
    let words = f.nextElementSibling;
    if (!words?.classList.contains("said-day")) {
      words = document.createElement("span");
      words.className = "said-day quiet";
      f.after(words);
    }
    const at = new Date(f.type === "date" ? f.value + "T00:00" : f.value);
    words.textContent = Number.isNaN(at.valueOf()) ? "" : f.type === "date" ? dayWords(at) : momentWords(at);
  };

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
    const label = f.closest("form").querySelector("[data-zone]");
    if (label) label.textContent = "";
  }

  for (const f of document.querySelectorAll("input[data-own-zone]")) {
    if (!f.value && !f.form.querySelector("[aria-invalid]") && location.pathname === "/ahead") f.value = zone ?? "";
  }

  for (const f of document.querySelectorAll("input[type=date], input[type=datetime-local]")) {
    sayDay(f);
    f.addEventListener("input", () => sayDay(f));
  }

  for (const charts of document.querySelectorAll("[data-chart]")) {
    const plot = () => charts.querySelector(".plot");
    const svg = () => charts.querySelector(".plot svg");
    let width = svg().viewBox.baseVal.width, query = location.search, asked = 0;

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
    document.cookie = `creepage_width=${Math.round(plot().clientWidth)}; path=/vehicles; max-age=31536000; samesite=lax`;
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

    // Pointing at a mark says what it is. All marks of one look are one path:
    // each begins at the left end of its shape, which alone is closed, and what
    // is said of each is a line of its metadata.
    let marks = null, drawnOn = null, ring = null;
    const marksOf = (s) => {
      if (drawnOn === s) return marks;
      drawnOn = s;
      marks = [];
      for (const path of s.querySelectorAll(".marks path")) {
        const said = path.querySelector("metadata")?.textContent.split("\n") ?? [];
        path.getAttribute("d").split("Z").slice(0, -1).forEach((shape, i) => {
          const [x, y] = shape.slice(shape.lastIndexOf("M") + 1).split(/[La]/, 1)[0].split(" ").map(Number);
          const [text, minutes] = said[i].split("\t");
          marks.push({ x: x + Number(path.dataset.half), y, said: `${text}, ${momentWords(new Date(minutes * 60000))}` });
        });
      }
      return marks;
    };
    const light = (s, mark) => {
      ring?.remove();
      ring = null;
      charts.querySelector(".readout").textContent = mark ? mark.said : "";
      if (!mark) return;
      ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
      ring.setAttribute("class", "lit");
      ring.setAttribute("cx", mark.x);
      ring.setAttribute("cy", mark.y);
      ring.setAttribute("r", 8);
      s.append(ring);
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
      const b = s.getBoundingClientRect(), scale = b.width / s.viewBox.baseVal.width;
      const x = (e.clientX - b.x) / scale, y = (e.clientY - b.y) / scale;
      let best = null, least = 32;
      for (const m of marksOf(s)) {
        const d = Math.hypot(m.x - x, m.y - y);
        if (d < least) { least = d; best = m; }
      }
      light(s, best);
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
      const iso = (ms) => { const at = new Date(ms); return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`; };
      params.set("from", iso(ends[0]));
      params.set("to", iso(Math.max(ends[1], ends[0] + 3 * 86400000) + 86400000));
      show("?" + params, true);
    });
  }
})();
