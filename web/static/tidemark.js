// The page reads without this file. With it, the page follows the kitchen,
// acts without loading again, and says when it no longer hears from tidemark.
"use strict";
(() => {
  const lost = document.getElementById("lost");
  const said = document.getElementById("said");
  const words = document.body.dataset;
  const newAt = new WeakMap(); // when a button came
  const live = document.querySelector("[data-live]") !== null;
  const shownPart = document.querySelector("[data-part]")?.dataset.part || "";
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
    lost.textContent = words.lost.replace("{at}", heardClock || clock(heardAt));
    lost.hidden = false;
  }

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
    // A block stays open by its words, not by its place: blocks come and go.
    const name = (d) => d.firstElementChild.textContent;
    const was = [...box.querySelectorAll("details")];
    fresh.querySelectorAll("details").forEach((d) => {
      const at = was.findIndex((o) => name(o) === name(d));
      if (at >= 0) d.open = was.splice(at, 1)[0].open || d.open;
    });
    shown.set(id, html);
    if (fresh.isEqualNode(box)) return;
    const before = new Set([...box.querySelectorAll(".taps button")].map((b) => b.textContent));
    fresh.querySelectorAll(".taps button").forEach((b) => { if (!before.has(b.textContent)) newAt.set(b, Date.now()); });
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
    return [...box.querySelectorAll("textarea, input:not([type=hidden])")].some((e) => e.value !== e.defaultValue) ||
      [...box.querySelectorAll("select")].some((e) => [...e.options].some((o, i) => o.selected !== (o.defaultSelected || i === 0)));
  }

  function listen() {
    source = new EventSource("/events" + (shownPart ? "?only=" + shownPart : ""));
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

  // A tap is told at once. The answer can be undone, or be said to have happened
  // earlier, for as long as it stands.
  async function send(body) {
    let answer = {};
    let ok = false;
    try {
      const r = await fetch("/act", { method: "POST", body, headers: { Accept: "application/json" } });
      answer = await r.json().catch(() => ({}));
      ok = r.ok;
      if (r.status === 401) { location.href = "/unlock"; return false; }
      answer.said = answer.said || answer.detail || words.failed;
    } catch (err) {
      answer.said = words.failed;
      silent();
    }
    tell(answer, ok);
    if (answer.ask) askBack(answer.ask, body);
    return ok;
  }

  function tell(answer, ok) {
    const line = document.createElement("span");
    line.textContent = answer.said;
    said.replaceChildren(line);
    if (ok && answer.undo) {
      const back = (kind, label, more) => {
        const b = document.createElement("button");
        b.type = "button";
        b.textContent = label;
        b.onclick = () => send(new URLSearchParams({ kind, vessel: answer.vessel, undo: answer.undo, event: answer.undo, ...more }));
        said.append(b);
      };
      back("undo", words.undo, {});
      back("correct", words.earlier, { ago: 10 });
    }
    clearTimeout(tell.timer);
    tell.timer = setTimeout(() => { said.replaceChildren(); }, 12000);
  }

  // What must have happened before is asked back, and both are told with one tap.
  function askBack(ask, body) {
    clearTimeout(tell.timer);
    const line = document.createElement("span");
    line.textContent = ask.say;
    const at = document.createElement("input");
    at.type = "datetime-local";
    at.value = ask.field;
    at.setAttribute("aria-label", ask.say);
    const both = document.createElement("button");
    both.type = "button";
    both.textContent = ask.label;
    both.onclick = () => { body.set("first_at", at.value); send(body); };
    said.replaceChildren(line, at, both);
  }

  async function act(form, button) {
    const buttons = [...form.querySelectorAll("button")];
    const body = new URLSearchParams(new FormData(form, button));
    buttons.forEach((b) => { b.disabled = true; });
    const ok = await send(body);
    buttons.forEach((b) => { b.disabled = false; });
    if (ok) form.reset();
  }

  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (form.getAttribute("action") !== "/act" || !live) return;
    e.preventDefault();
    if (Date.now() - (newAt.get(e.submitter) || 0) < 350) return; // it came under the finger
    act(form, e.submitter);
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
      svg.points = (svg.parentElement.querySelector("[data-points]")?.dataset.points || "").split(";").filter(Boolean).map((p) => p.split(","));
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
    const svg = e.target.closest ? e.target.closest("svg[data-t0]") : null;
    if (!svg) return;
    const box = svg.getBoundingClientRect();
    const x = (e.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
    const d = svg.dataset;
    const span = d.t1 - d.t0;
    const p = nearest(svg, (x - d.x0) / (d.x1 - d.x0) * span);
    if (!p) return;
    cursor(svg, +d.x0 + p[0] / span * (d.x1 - d.x0));
    const out = document.getElementById(svg.parentElement.id.replace("-chart", "-readout"));
    if (out) out.textContent = p[3] + ": " + Math.round(p[1]) + " %" + (p[2] ? ", " + words.dough + " " + p[2] + " " + d.degree : "");
  }
  document.addEventListener("pointermove", read);
  document.addEventListener("pointerdown", read);

  // A swipe across the answer leads to the next vessel.
  let from = null;
  document.addEventListener("touchstart", (e) => {
    from = e.touches.length === 1 && e.target.closest(".answer") ? e.touches[0] : null;
  }, { passive: true });
  document.addEventListener("touchend", (e) => {
    const to = e.changedTouches[0];
    if (!from || Math.abs(to.clientX - from.clientX) < 70 || Math.abs(to.clientY - from.clientY) > 50) return;
    const chips = [...document.querySelectorAll(".chips a[data-live]")];
    const at = chips.findIndex((c) => c.hasAttribute("aria-current"));
    chips[at + (to.clientX < from.clientX ? 1 : -1)]?.click();
  });

  // The kitchen view keeps the screen awake where the browser lets it, and sounds
  // when a vessel begins to want a hand.
  function kitchen(box) {
    const note = document.getElementById("awake-note");
    const lock = () => navigator.wakeLock?.request("screen").then(() => { note.textContent = ""; }, () => { note.textContent = note.dataset.no; });
    if (navigator.wakeLock) {
      lock();
      document.addEventListener("visibilitychange", () => { if (!document.hidden) lock(); });
    } else {
      note.textContent = note.dataset.no;
    }
    const button = document.getElementById("sound");
    let audio = null;
    const tone = () => {
      if (!audio) return;
      [0, .35].forEach((at) => {
        const o = audio.createOscillator();
        const g = audio.createGain();
        o.frequency.value = at ? 660 : 520;
        g.gain.setValueAtTime(.25, audio.currentTime + at);
        g.gain.exponentialRampToValueAtTime(.001, audio.currentTime + at + .3);
        o.connect(g).connect(audio.destination);
        o.start(audio.currentTime + at);
        o.stop(audio.currentTime + at + .32);
      });
    };
    button.onclick = () => {
      if (audio) { audio.close(); audio = null; } else { audio = new AudioContext(); tone(); }
      button.setAttribute("aria-pressed", String(audio !== null));
    };
    const calls = () => [...box.querySelectorAll("[data-calls=true]")].map((e) => e.dataset.do).join("|");
    let before = calls();
    new MutationObserver(() => {
      const now = calls();
      if (now && now !== before) tone();
      before = now;
    }).observe(box, { childList: true, subtree: true });
  }
  if (document.getElementById("kitchen")) kitchen(document.getElementById("kitchen"));

  if (navigator.serviceWorker && window.isSecureContext) navigator.serviceWorker.register("/service-worker.js").catch(() => {});

  if (live && window.EventSource) {
    listen();
    setInterval(() => { if (Date.now() - heardAt > 40000) silent(); }, 2000);
    window.addEventListener("offline", silent);
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden && Date.now() - heardAt > 40000) { silent(); source?.close(); listen(); }
    });
  }
})();
