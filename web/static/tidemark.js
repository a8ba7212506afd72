// The page reads without this file. With it, the page follows the kitchen,
// acts without loading again, and says when it no longer hears from tidemark.
"use strict";
(() => {
  const csrf = document.querySelector("meta[name=csrf]")?.content || "";
  const lost = document.getElementById("lost");
  const said = document.getElementById("said");
  const live = document.querySelector("[data-live]") !== null;
  let heardAt = Date.now();
  let heardClock = "";
  let source = null;
  const shown = new Map();

  function clock(ms) {
    return new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  }

  function heard(at) {
    heardAt = Date.now();
    if (at) heardClock = at;
    if (!lost.hidden) { lost.hidden = true; lost.textContent = ""; }
  }

  function silent() {
    if (!live || !lost.hidden) return;
    lost.textContent = "This page last heard from tidemark at " + (heardClock || clock(heardAt)) +
      ". What it shows is from then. Check the network and that tidemark runs.";
    lost.hidden = false;
  }

  // The header carries the form's token, so the fields of the page without
  // scripts are not needed; without them a part can be compared as it is.
  document.querySelectorAll("[data-live] input[name=csrf]").forEach((e) => e.remove());

  // put replaces one part if it differs, but never under the hands of somebody
  // who writes, and not while a button in it is held down.
  function put(id, html) {
    const box = document.getElementById(id);
    if (!box || shown.get(id) === html) return;
    if (pressed && box.contains(pressed)) { held.set(id, html); return; }
    const active = document.activeElement;
    const inside = active && box.contains(active);
    if (dirty(box) || (inside && active.matches("input, textarea, select"))) return;
    const fresh = box.cloneNode(false);
    fresh.innerHTML = html;
    const open = [...box.querySelectorAll("details")].map((d) => d.open);
    fresh.querySelectorAll("details").forEach((d, i) => { if (open[i]) d.open = true; });
    shown.set(id, html);
    if (fresh.isEqualNode(box)) return;
    const key = inside && active.dataset ? active.dataset.key : "";
    box.replaceChildren(...fresh.childNodes);
    if (key) [...box.querySelectorAll("[data-key]")].find((e) => e.dataset.key === key)?.focus();
  }

  // What came while a button was held down is put when it is let go.
  let pressed = null;
  const held = new Map();
  document.addEventListener("pointerdown", (e) => { pressed = e.target.closest?.("button") || null; });
  for (const end of ["pointerup", "pointercancel"]) {
    document.addEventListener(end, () => setTimeout(() => {
      pressed = null;
      const waiting = [...held];
      held.clear();
      waiting.forEach(([id, html]) => put(id, html));
    }, 0));
  }

  // dirty reports whether a form in the box holds words not yet sent.
  function dirty(box) {
    return [...box.querySelectorAll("textarea, input:not([type=hidden])")].some((e) => e.value !== e.defaultValue);
  }

  function listen() {
    source = new EventSource("/events");
    source.addEventListener("parts", (e) => {
      const m = JSON.parse(e.data);
      heard(m.clock);
      for (const id of Object.keys(m.parts)) put(id, m.parts[id]);
    });
    source.addEventListener("beat", (e) => heard(JSON.parse(e.data).clock));
    source.addEventListener("reload", () => location.reload());
    source.onerror = () => {
      silent();
      if (source.readyState === EventSource.CLOSED) {
        setTimeout(listen, 5000);
        locked();
      }
    };
  }

  // A stream that was refused may mean that this browser was locked.
  async function locked() {
    const r = await fetch("/api/v1/vessels", { cache: "no-store" }).catch(() => null);
    if (r && r.status === 401) location.href = "/unlock";
  }

  async function act(form) {
    const buttons = [...form.querySelectorAll("button")];
    buttons.forEach((b) => { b.disabled = true; });
    const body = new URLSearchParams(new FormData(form));
    let text = "";
    let ok = false;
    try {
      const r = await fetch(form.getAttribute("action"), {
        method: "POST", body, headers: { "X-Csrf-Token": csrf, "Accept": "application/json" },
      });
      const answer = await r.json().catch(() => ({}));
      ok = r.ok;
      text = answer.said || answer.detail || "That did not work (" + r.status + "). Load the page again.";
      if (r.status === 401) { location.href = "/unlock"; return; }
    } catch (err) {
      text = "tidemark did not answer, so nothing was done. Try again when the link is back.";
      silent();
    }
    said.textContent = text;
    clearTimeout(act.timer);
    act.timer = setTimeout(() => { said.textContent = ""; }, 12000);
    buttons.forEach((b) => { b.disabled = false; });
    if (ok) form.reset();
  }

  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (form.getAttribute("action") !== "/act" || !live) return;
    e.preventDefault();
    act(form);
  });

  // A form that takes a while says so and is sent once.
  document.addEventListener("submit", (e) => {
    const text = e.target.dataset.wait;
    if (!text) return;
    said.textContent = text;
    setTimeout(() => document.querySelectorAll("main button").forEach((b) => { b.disabled = true; }), 0);
  });

  // A photo is made smaller here already, so that it travels quickly. If that
  // does not work, the file goes as it is.
  async function shrink(form) {
    const input = form.querySelector("input[type=file]");
    const file = input.files[0];
    if (!file || !window.createImageBitmap) return;
    const img = await createImageBitmap(file, { imageOrientation: "from-image" });
    const k = Math.min(1, 1600 / Math.max(img.width, img.height));
    const c = document.createElement("canvas");
    c.width = Math.round(img.width * k);
    c.height = Math.round(img.height * k);
    c.getContext("2d").drawImage(img, 0, 0, c.width, c.height);
    const blob = await new Promise((done) => c.toBlob(done, "image/jpeg", 0.85));
    const list = new DataTransfer();
    list.items.add(new File([blob], "photo.jpg", { type: "image/jpeg" }));
    input.files = list.files;
  }
  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (!form.querySelector("input[name=photo]") || form.dataset.small) return;
    e.preventDefault();
    form.dataset.small = "1";
    shrink(form).catch(() => {}).then(() => form.submit());
  });

  // A tap or a pointer on a curve reads it out.
  function nearest(svg, seconds) {
    if (!svg.points) {
      svg.points = (svg.dataset.points || "").split(";").filter(Boolean).map((p) => p.split(","));
    }
    let best = null;
    for (const p of svg.points) {
      if (best === null || Math.abs(p[0] - seconds) < Math.abs(best[0] - seconds)) best = p;
    }
    return best;
  }

  function cursor(svg, x) {
    let line = svg.querySelector(".c-cursor");
    if (!line) {
      line = document.createElementNS("http://www.w3.org/2000/svg", "path");
      line.setAttribute("class", "c-cursor");
      svg.append(line);
    }
    line.setAttribute("d", "M" + x + " " + svg.dataset.top + "V" + svg.dataset.base);
  }

  function read(e) {
    const svg = e.target.closest ? e.target.closest("svg[data-points]") : null;
    if (!svg) return;
    const box = svg.getBoundingClientRect();
    const x = (e.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
    const d = svg.dataset;
    const span = d.t1 - d.t0;
    const p = nearest(svg, (x - d.x0) / (d.x1 - d.x0) * span);
    if (!p) return;
    cursor(svg, +d.x0 + p[0] / span * (d.x1 - d.x0));
    const out = document.getElementById(svg.parentElement.id.replace("-chart", "-readout"));
    if (out) out.textContent = p[3] + ": " + Math.round(p[1]) + " %" + (p[2] ? ", dough " + p[2] + " " + d.degree : "");
  }
  document.addEventListener("pointermove", read);
  document.addEventListener("pointerdown", read);

  if (live && window.EventSource) {
    listen();
    setInterval(() => { if (Date.now() - heardAt > 40000) silent(); }, 2000);
    window.addEventListener("offline", silent);
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden && Date.now() - heardAt > 40000) { silent(); source?.close(); listen(); }
    });
  }
})();
