// One test point at a time, a hold timer, and entering without a connection.
// What is entered is kept in this browser until the server has answered; the
// reading's identity is the visit's and the point's, so that sending it twice
// enters it once. Without this script the page is one plain form.
"use strict";
(() => {
  const root = document.querySelector("[data-visit]");
  if (!root) return;
  const form = root.querySelector("form");
  const steps = [...root.querySelectorAll(".step")];
  const connection = root.querySelector("[data-connection]");
  const bar = root.querySelector("[data-steps]");
  const back = bar.querySelector("[data-back]"), on = bar.querySelector("[data-on]"), where = bar.querySelector("[data-where]");
  const queueKey = "creepage-waiting", draftKey = "creepage-visit-" + form.elements.vehicle.value;

  // The visit's identity and what was entered outlive a reload.
  const load = (key, otherwise) => { try { return JSON.parse(localStorage.getItem(key)) || otherwise; } catch { return otherwise; } };
  const save = (key, value) => { try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* private window: kept by the page alone */ } };
  const draft = load(draftKey, null);
  const fresh = draft && Date.now() - draft.at < 12 * 3600 * 1000;
  const sent = fresh ? draft.sent : {};
  if (fresh) {
    for (const [name, value] of draft.fields) {
      const f = form.elements[name];
      if (!f || name === "token") continue;
      if (f.type === "checkbox") f.checked = true; else f.value = value;
    }
  }
  const keep = () => save(draftKey, { at: Date.now(), fields: [...new FormData(form)].filter(([n]) => n !== "token"), sent });
  form.addEventListener("input", keep);

  let waiting = load(queueKey, []);
  let signedOut = false;
  const asked = new Set(); // points whose question came while another was on the screen
  const say = () => {
    const lines = [];
    if (waiting.length > 0) {
      const kept = `${waiting.length} ${waiting.length === 1 ? "reading is" : "readings are"} kept in this browser`;
      lines.push(signedOut ? `You are signed out. ${kept}; sign in again and open this visit, and they are sent.` : `No connection. ${kept} and sent when it is back.`);
    }
    if (asked.size > 0) lines.push(`Not entered yet, to be looked at again: ${[...asked].map((n) => point(n).querySelector("legend").textContent).join("; ")}.`);
    connection.textContent = lines.join(" ");
  };
  const put = () => { save(queueKey, waiting); say(); };

  const post = async (fields) => {
    const body = new URLSearchParams(fields);
    body.set("token", form.elements.token.value);
    const res = await fetch("/visit", { method: "POST", body, headers: { Accept: "application/json" }, credentials: "same-origin" });
    signedOut = res.status === 401 || res.status === 403;
    if (signedOut || res.status === 503) throw new TypeError("not now");
    return res.json();
  };

  // What a point says; what was entered is remembered as that.
  const signature = (n, fields) => {
    const f = new Map(fields || new FormData(form));
    return ["value_", "unit_", "over_", "hold_"].map((p) => f.get(p + n) || "").join("|");
  };
  const queued = (n) => waiting.find((w) => w.visit === form.elements.visit.value && w.point === n);

  let sending = null;
  const flush = () => {
    if (!sending && waiting.length > 0) sending = drain().finally(() => { sending = null; });
    return sending;
  };
  const drain = async () => {
    try {
      while (waiting.length > 0) {
        const item = waiting[0], here = item.visit === form.elements.visit.value;
        let answer = await post(item.fields);
        // What contradicts itself is asked back where somebody can answer; the end
        // of another visit lists it.
        if (answer.ask && !here) answer = await post([...item.fields, ["confirm", "1"]]);
        waiting = waiting.filter((w) => w !== item);
        if (answer.ask && steps[current] !== point(item.point)) asked.add(item.point);
        put();
        if (item.visit === form.elements.visit.value && (answer.results || []).length > 0) sent[item.point] = signature(item.point, item.fields);
        if (item.visit === root.dataset.visit || item.visit === form.elements.visit.value) show(item.point, answer);
      }
    } catch { say(); /* still away; the next try sends the same again */ }
  };
  addEventListener("online", flush);
  setInterval(flush, 15000);

  const point = (n) => steps.find((s) => s.dataset.point === String(n));
  const show = (n, answer) => {
    const step = point(n);
    if (!step) return true;
    const said = step.querySelector("[data-said]");
    said.replaceChildren();
    if (!answer.ask && asked.delete(n)) say();
    const line = (text, tag = "p") => { const p = document.createElement(tag); p.textContent = text; said.append(p); return p; };
    const button = (text, then) => { const b = document.createElement("button"); b.type = "button"; b.textContent = text; b.addEventListener("click", then); said.append(b); };
    if (answer.problem && !(answer.results || []).length) { line(answer.problem); return false; }
    const problem = (answer.problems || []).find((p) => p.point === n) || (answer.problems || [])[0];
    if (problem) { line(problem.text); return false; }
    if (answer.ask) {
      line("Before it is entered:", "b");
      for (const text of answer.ask) line(text);
      button("Measure again", () => { said.replaceChildren(); step.querySelector("input").focus(); });
      button("I looked again; it is right", () => send(n, true).then((ok) => { if (ok) said.querySelector("b")?.focus(); }));
      return false;
    }
    for (const r of (answer.results || []).filter((r) => r.point === n)) {
      line(r.text, "b");
      for (const note of r.notes || []) line(note);
    }
    if (answer.problem) line(answer.problem);
    keep();
    return true;
  };

  // send enters one point. It returns whether one can go on.
  const send = async (n, confirm) => {
    const at = form.elements["at_" + n];
    if (!at.value) at.value = new Date().toISOString().slice(0, 19) + "Z";
    const fields = [...new FormData(form)].filter(([name]) => name !== "token" && name !== "confirm");
    fields.push(["only", String(n)]);
    if (confirm) fields.push(["confirm", "1"]);
    keep();
    try {
      const answer = await post(fields);
      if ((answer.results || []).some((r) => r.point === n)) sent[n] = signature(n, fields);
      return show(n, answer);
    } catch {
      // Nobody can be asked now; the answer comes with the connection.
      waiting = waiting.filter((w) => !(w.visit === form.elements.visit.value && w.point === n));
      waiting.push({ visit: form.elements.visit.value, point: n, fields });
      put();
      point(n).querySelector("[data-said]").textContent = "Kept in this browser.";
      return true;
    }
  };

  // A value changed after it was entered takes the first one's place, with the
  // reason; the first stays on record as void.
  const changed = (n) => sent[n] && sent[n] !== signature(n);
  const correct = (n) => {
    const said = point(n).querySelector("[data-said]");
    said.replaceChildren();
    const lead = document.createElement("b");
    lead.textContent = "This point is entered already. What was wrong with the first value?";
    const reason = document.createElement("input");
    reason.setAttribute("aria-label", "What was wrong with the first value");
    reason.dataset.reason = "";
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Correct it";
    button.addEventListener("click", async () => {
      if (!reason.value.trim()) return reason.focus();
      const times = form.elements["times_" + n], before = times.value;
      times.value = String(Number(before) + 1);
      form.elements["reason_" + n].value = reason.value.trim();
      if (!(await send(n, true)) && !queued(n)) times.value = before;
      keep();
    });
    said.append(lead, reason, button);
    reason.focus();
  };

  // The cautions in full with the precautions; in view, short, at every point.
  const cautions = root.querySelector("[data-cautions]"), unfold = cautions.querySelector("[data-unfold]");
  const fold = (away) => {
    cautions.classList.toggle("folded", away);
    unfold.setAttribute("aria-expanded", String(!away));
    unfold.textContent = away ? "All" : "Less";
    unfold.setAttribute("aria-label", away ? "All cautions" : "Less of the cautions");
  };
  unfold.hidden = false;
  unfold.addEventListener("click", () => fold(!cautions.classList.contains("folded")));

  let current = 0;
  const go = (n) => {
    current = Math.min(Math.max(n, 0), steps.length - 1);
    steps.forEach((s, i) => { s.hidden = i !== current; });
    back.disabled = current === 0;
    on.hidden = current === steps.length - 1;
    where.textContent = `${current + 1} of ${steps.length}`;
    fold(current !== 0);
    steps[current].querySelector("legend").scrollIntoView({ block: "nearest" });
  };
  const filled = (step) => step.dataset.point !== undefined &&
    (form.elements["value_" + step.dataset.point].value.trim() !== "" || form.elements["over_" + step.dataset.point].checked);

  back.addEventListener("click", () => go(current - 1));
  on.addEventListener("click", async () => {
    const step = steps[current];
    const n = Number(step.dataset.point);
    await sending;
    if (filled(step) && changed(n)) return correct(n);
    const kept = filled(step) && queued(n);
    if (filled(step) && !sent[n] && (!kept || signature(n, kept.fields) !== signature(n))) {
      on.disabled = true;
      await send(n, false);
      on.disabled = false;
      // The answer is read first; the next press goes on.
      if (sent[n] || queued(n)) on.textContent = "Next point";
      return;
    }
    on.textContent = "Go on";
    go(current + 1);
    steps[current].querySelector("input:not([type=hidden]), button")?.focus({ preventScroll: true });
  });
  form.addEventListener("input", (e) => {
    const step = e.target.closest(".point");
    if (!step) return;
    on.textContent = "Go on";
  });
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    await flush();
    for (const s of steps.filter(filled)) {
      const n = Number(s.dataset.point);
      if (changed(n)) { go(steps.indexOf(s)); return correct(n); }
      if (!sent[n] && !queued(n) && !(await send(n, false))) return go(steps.indexOf(s));
    }
    if (waiting.length > 0) return say();
    localStorage.removeItem(draftKey);
    location = "/visit/done?" + new URLSearchParams({ vehicle: form.elements.vehicle.value, visit: form.elements.visit.value, code: form.elements.code.value });
  });

  for (const step of steps.filter((s) => s.dataset.point !== undefined)) {
    const timer = step.querySelector("[data-timer]"), button = timer.querySelector("button");
    const hold = Number(step.dataset.hold) || 60, field = form.elements["hold_" + step.dataset.point];
    timer.hidden = false;
    let tick = null, began = 0;
    button.addEventListener("click", () => {
      if (tick) { // stopped early: the true time is what counts
        clearInterval(tick); tick = null;
        field.value = String(Math.round((Date.now() - began) / 1000));
        button.textContent = `Held ${field.value} s; start anew`;
        button.classList.remove("running");
        keep();
        return;
      }
      began = Date.now();
      button.classList.add("running");
      const show = () => {
        const s = (Date.now() - began) / 1000;
        button.style.setProperty("--held", Math.min(100, 100 * s / hold) + "%");
        button.textContent = s < hold ? `${Math.ceil(hold - s)} s to go; tap to stop` : `${hold} s held: read the value now`;
        if (s >= hold && tick) {
          clearInterval(tick); tick = null;
          field.value = String(hold);
          button.classList.remove("running");
          navigator.vibrate?.(300);
          keep();
        }
      };
      tick = setInterval(show, 250);
      show();
    });
  }

  bar.hidden = false;
  say();
  go(0);
  flush();
  keep();
  root.querySelector("[data-plain]").hidden = isSecureContext;
  if ("serviceWorker" in navigator && isSecureContext) navigator.serviceWorker.register("/visit-worker.js").catch(() => {});
})();
