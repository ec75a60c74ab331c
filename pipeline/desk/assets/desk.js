// The page of one lesson. Everything it knows comes from the desk; what the
// coach changes is an object of notes, judged again by the desk at every change.
"use strict";
(() => {
  const start = JSON.parse(document.getElementById("start").textContent);
  const $ = (id) => document.getElementById(id);
  const w = (key) => start.w[key] || key;
  const form = (text, ...a) => text.replace(/%(?:\[(\d)\])?[sd]/g, (m, n) => (n ? a[n - 1] : a.shift()));
  const clone = (v) => JSON.parse(JSON.stringify(v));
  const base = "/lesson/" + start.id;
  const last = start.pts.length - 1;
  const clamp = (v, lo, hi) => Math.min(hi, Math.max(lo, v));

  let notes = start.notes || {};
  let tag = start.tag;
  let saved = JSON.stringify(notes);
  let judged = start.judged;
  let frame = 0;
  let span = [0, Math.max(last, 1)];
  let showPoints = false, showLength = false;
  const undo = [], redo = [];

  const say = (text) => { $("say").textContent = text; };
  const el = (name, props, ...kids) => {
    const e = document.createElement(name);
    for (const [k, v] of Object.entries(props || {})) {
      if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
      else if (k === "class") e.className = v;
      else e.setAttribute(k, v);
    }
    e.append(...kids);
    return e;
  };

  async function send(path, body, headers) {
    const r = await fetch(base + path, {
      method: "POST", body, credentials: "same-origin", redirect: "error",
      headers: Object.assign({ "X-Desk": start.csrf }, headers),
    });
    const text = await r.text();
    let v = {};
    try { v = JSON.parse(text); } catch { v = { what: r.status === 403 ? w("shut") : text.trim() }; }
    return { code: r.status, v };
  }

  // ---- pictures: the ones around the wanted frame are fetched meanwhile ----
  const pictures = new Map();
  const keep = 60;
  function picture(n) {
    let p = pictures.get(n);
    if (p) {
      pictures.delete(n);
    } else {
      p = new Image();
      p.decoding = "async";
      p.src = base + "/frame/" + n;
      p.ready = p.decode().then(() => true, () => { pictures.delete(n); return false; });
    }
    pictures.set(n, p);
    if (pictures.size > keep) pictures.delete(pictures.keys().next().value);
    return p;
  }

  let shown = -1;
  async function show(n) {
    const by = n - frame;
    frame = clamp(n, 0, last);
    describe();
    handles();
    if (!start.here) return;
    const want = frame;
    const p = picture(want);
    if (!(await p.ready)) { if (want === frame) say(w("frame_missing")); return; }
    if (want !== frame) return;
    $("still").src = p.src;
    $("still").picture = p;
    shown = want;
    $("picture").dataset.frame = want;
    lens();
    const way = by < 0 ? -1 : 1;
    for (const d of [1, 2, 3, -1]) {
      const m = want + d * way;
      if (m >= 0 && m <= last) picture(m);
    }
  }

  function seconds(n) {
    const e = judged && judged.events.find((e) => e.kind === "contact" && e.frame >= 0);
    const t = (start.pts[n] - (e ? start.pts[e.frame] : 0)) / start.slow;
    return (t < 0 ? "−" : "+") + Math.abs(t).toFixed(3) + " s";
  }

  function describe() {
    const text = form(w("where"), frame, last, seconds(frame));
    $("where").textContent = text;
    const p = $("film");
    p.setAttribute("aria-valuemax", last);
    p.setAttribute("aria-valuenow", frame);
    p.setAttribute("aria-valuetext", text);
    const x = 1000 * place(frame);
    $("cursor").setAttribute("x1", x);
    $("cursor").setAttribute("x2", x);
  }

  function fit() {
    const box = $("picture").parentElement.clientWidth;
    const high = window.innerHeight * (window.innerWidth < 1000 ? 0.5 : 0.46); // the string below stays in sight
    const s = Math.min(box / start.width, high / start.height);
    $("picture").style.width = Math.floor(start.width * s) + "px";
    $("picture").style.height = Math.floor(start.height * s) + "px";
    handles();
  }

  // ---- the line below: trace and pegs on one scale ----
  const place = (n) => (n - span[0]) / (span[1] - span[0]);
  const frameAt = (x) => clamp(Math.round(span[0] + x * (span[1] - span[0])), 0, last);

  function spanOf() {
    if (!judged) { span = [0, Math.max(1, last)]; return; }
    const at = judged.events.filter((e) => e.frame >= 0).map((e) => e.frame);
    const rate = last / Math.max(0.001, (start.pts[last] - start.pts[0]) / start.slow);
    const room = Math.max(4, Math.round(0.3 * rate));
    span = [Math.max(0, Math.min(...at) - room), Math.min(last, Math.max(...at) + room)];
  }

  function trace() {
    const path = judged ? judged.path.filter((p) => p.f >= span[0] && p.f <= span[1]) : [];
    const seen = path.filter((p) => p.d !== null);
    let low = 0, high = 1;
    for (const p of seen) { low = Math.min(low, p.d - p.h); high = Math.max(high, p.d + p.h); }
    const pad = (high - low) * 0.1;
    const y = (d) => (8 + (80 * (d - low + pad)) / (high - low + 2 * pad)).toFixed(1);
    const x = (p) => (1000 * place(p.f)).toFixed(1);
    $("eyes").setAttribute("points", seen.map((p) => x(p) + "," + y(p.d)).join(" "));
    $("doubt").setAttribute("points", seen.map((p) => x(p) + "," + y(p.d - p.h)).concat(seen.slice().reverse().map((p) => x(p) + "," + y(p.d + p.h))).join(" "));
    for (const k of ["y1", "y2"]) $("tape").setAttribute(k, y(0));
    const most = Math.max(1e-9, ...path.map((p) => p.e));
    $("energy").setAttribute("points", path.length ? x(path[0]) + ",120 " + path.map((p) => x(p) + "," + (120 - (48 * p.e) / most).toFixed(1)).join(" ") + " " + x(path[path.length - 1]) + ",120" : "");
  }

  const pegs = new Map();
  let came = 0; // the picture that was shown before a peg was turned to
  function string() {
    const at = judged ? judged.events : [];
    const wide = $("string").clientWidth, all = [];
    start.kinds.forEach((k, i) => {
      let peg = pegs.get(k.key);
      if (!peg) {
        peg = el("div", { class: "peg", tabindex: "0", role: "slider", "aria-label": k.name, "data-kind": k.key, "aria-describedby": "peg-about" }, el("i"), el("b"), el("span", {}, k.name));
        peg.addEventListener("keydown", (e) => pegKey(e, k.key));
        peg.addEventListener("pointerdown", (e) => pegDrag(e, k.key));
        peg.addEventListener("focus", (ev) => { if (!$("string").contains(ev.relatedTarget)) came = frame; const e = eventOf(k.key); if (e && e.frame >= 0) show(e.frame); about(k.key); });
        pegs.set(k.key, peg);
        $("string").append(peg);
      }
      const e = at.find((e) => e.kind === k.key) || { frame: -1 };
      const f = e.frame >= 0 ? e.frame : near(k.key);
      peg.classList.toggle("hand", !!e.hand);
      peg.classList.toggle("none", e.frame < 0);
      peg.style.left = 100 * clamp(place(f), 0, 1) + "%";
      all.push({ peg, x: wide * clamp(place(f), 0, 1), low: i % 4, left: place(f) > 0.62 });
      const doubt = peg.querySelector("i");
      const step = e.frame >= 0 && e.hi > e.lo && !e.hand ? wide / (span[1] - span[0]) : 0;
      doubt.hidden = !step;
      if (step) { doubt.style.left = 15 + (e.lo - f) * step + "px"; doubt.style.width = Math.max(2, (e.hi - e.lo) * step) + "px"; }
      peg.setAttribute("aria-valuemin", 0);
      peg.setAttribute("aria-valuemax", last);
      peg.setAttribute("aria-valuenow", f);
      peg.setAttribute("aria-valuetext", e.frame >= 0 ? form(w("peg_at"), k.name, f, seconds(f)) : form(w("peg_none"), k.name));
    });
    hang(all, wide);
  }
  // Pegs hang as low, and their names on that side, that none lies on another; as
  // they hung before where that is free, and so anyway where nothing is.
  function hang(all, wide) {
    for (const p of all) {
      const name = 36 + p.peg.lastChild.offsetWidth;
      p.ways = [];
      for (const by of [0, 1, 2, 3]) for (const end of [p.left, !p.left]) {
        p.ways.push({ level: (p.low + by) % 4, end, from: end ? p.x - name : p.x - 17, to: end ? p.x + 17 : p.x + name });
      }
    }
    const chosen = [];
    let tries = 4000;
    const from = (i) => i === all.length || all[i].ways.some((a) => {
      if (tries-- < 0 || a.from < -2 || a.to > wide + 2 || chosen.some((b) => a.level === b.level && a.from < b.to && b.from < a.to)) return false;
      chosen.push(a);
      return from(i + 1) || (chosen.pop(), false);
    });
    const fits = from(0);
    all.forEach((p, i) => {
      const way = fits ? chosen[i] : p.ways[0];
      for (const n of [0, 1, 2, 3]) p.peg.classList.toggle("level" + n, n === way.level);
      p.peg.classList.toggle("end", way.end);
    });
  }
  const eventOf = (kind) => judged && judged.events.find((e) => e.kind === kind);
  // A phase that was not found hangs behind the one before it.
  function near(kind) {
    let f = span[0];
    for (const k of start.kinds) {
      if (k.key === kind) return f;
      const e = eventOf(k.key);
      if (e && e.frame >= 0) f = e.frame;
    }
    return f;
  }
  function about(kind) {
    const e = eventOf(kind);
    $("peg-about").textContent = e ? [e.name, e.clock, e.why].filter(Boolean).join(" · ") : "";
  }
  function setTime(kind, f) {
    f = clamp(f, 0, last);
    change(() => { (notes.times = notes.times || {})[kind] = start.pts[f]; });
    show(f);
  }
  function pegKey(ev, kind) {
    if (ev.ctrlKey || ev.metaKey || ev.altKey) return;
    const e = eventOf(kind);
    const t = notes.times && notes.times[kind];
    let f = t !== undefined ? frameOf(t) : e && e.frame >= 0 ? e.frame : near(kind);
    const by = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 10, PageDown: -10 }[ev.key];
    if (by) setTime(kind, f + by * (ev.shiftKey ? 10 : 1));
    else if (ev.key === "Enter") setTime(kind, came);
    else if (ev.key === "Delete" || ev.key === "Backspace") change(() => { if (notes.times) delete notes.times[kind]; });
    else return;
    ev.preventDefault();
    ev.stopPropagation();
  }
  function frameOf(t) {
    let best = 0;
    start.pts.forEach((p, i) => { if (Math.abs(p - t) < Math.abs(start.pts[best] - t)) best = i; });
    return best;
  }
  function pegDrag(ev, kind) {
    if (ev.button) return;
    const peg = pegs.get(kind), box = $("string").getBoundingClientRect();
    peg.setPointerCapture(ev.pointerId);
    let f = -1;
    const x0 = ev.clientX;
    const move = (e) => {
      if (f < 0 && Math.abs(e.clientX - x0) < 3) return;
      f = frameAt((e.clientX - box.left) / box.width);
      peg.style.left = 100 * clamp(place(f), 0, 1) + "%";
      show(f);
    };
    const end = (e) => {
      peg.removeEventListener("pointermove", move);
      peg.removeEventListener("pointerup", end);
      peg.removeEventListener("pointercancel", end);
      if (e.type === "pointerup" && f >= 0) setTime(kind, f);
      else string();
    };
    peg.addEventListener("pointermove", move);
    peg.addEventListener("pointerup", end);
    peg.addEventListener("pointercancel", end);
  }
  $("trace").addEventListener("pointerdown", (ev) => {
    const t = $("trace"), box = t.getBoundingClientRect();
    const go = (e) => show(frameAt((e.clientX - box.left) / box.width));
    t.setPointerCapture(ev.pointerId);
    go(ev);
    t.onpointermove = go;
    t.onpointerup = t.onpointercancel = () => { t.onpointermove = null; };
  });

  // ---- points on the still ----
  // One point at a time has a handle, the one that is chosen in the list or was
  // touched last: they lie closer together than fingers are wide.
  let held = null; // the point that is moved: {key, at}
  let chosen = "";
  const handle = el("div", { class: "handle", tabindex: "0", role: "button" }, el("span"));
  const marks = new Map();
  function wanted() {
    const out = [];
    if (showPoints && judged) {
      const here = judged.path.find((p) => p.f === frame);
      start.parts.forEach((part, i) => {
        const mine = (notes.points || []).find((p) => p.frame === frame && p.part === part.key);
        const at = mine ? mine.at : here && here.p && here.p[2 * i] !== null ? [here.p[2 * i], here.p[2 * i + 1]] : null;
        if (at) out.push({ key: part.key, name: part.name, at, moved: !!mine });
      });
    }
    if (showLength && frame === 0) {
      const ends = scaleEnds();
      out.push({ key: "scale0", name: w("scale_from"), at: ends.slice(0, 2), moved: !!notes.scale });
      out.push({ key: "scale1", name: w("scale_to"), at: ends.slice(2, 4), moved: !!notes.scale });
    }
    if (held) for (const p of out) if (p.key === held.key) p.at = held.at;
    return out;
  }
  function scaleEnds() {
    const m = /^([\d.,\s]+)=/.exec(notes.scale || "");
    const v = m ? m[1].split(",").map(Number) : [];
    return v.length === 4 && v.every((n) => n >= 0) ? v : [0.4, 0.85, 0.6, 0.85].map((s, i) => Math.round(s * (i % 2 ? start.height : start.width)));
  }
  function handles() {
    const list = wanted();
    if (!list.some((p) => p.key === chosen)) chosen = list.length ? list[0].key : "";
    const which = $("which");
    $("which-point").hidden = !list.length;
    const keys = list.map((p) => p.key).join(" ");
    if (which.keys !== keys) {
      which.keys = keys;
      which.replaceChildren(...list.map((p) => el("option", { value: p.key }, p.name)));
    }
    which.value = chosen;
    for (const [key, m] of marks) if (!list.some((p) => p.key === key)) { m.remove(); marks.delete(key); }
    for (const p of list) {
      let m = marks.get(p.key);
      if (!m) {
        m = el("div", { class: "mark", "aria-hidden": "true", "data-part": p.key });
        marks.set(p.key, m);
        $("handles").prepend(m);
      }
      place2(m, p.at);
      m.at = p.at;
      m.classList.toggle("moved", p.moved);
    }
    const p = list.find((p) => p.key === chosen);
    if (!p) { handle.remove(); $("lens").hidden = true; return; }
    if (!handle.isConnected) $("handles").append(handle);
    handle.at = p.at;
    place2(handle, p.at);
    handle.firstChild.textContent = p.name;
    handle.classList.toggle("left", p.at[0] > 0.7 * start.width);
    handle.setAttribute("aria-label", form(w("point_at"), p.name, Math.round(p.at[0]), Math.round(p.at[1])));
    lens();
  }
  function place2(e, at) {
    e.style.left = (100 * at[0]) / start.width + "%";
    e.style.top = (100 * at[1]) / start.height + "%";
  }
  $("which").addEventListener("change", () => { chosen = $("which").value; handles(); handle.focus(); });
  handle.addEventListener("focus", () => lens());
  handle.addEventListener("blur", () => { if (!held) $("lens").hidden = true; });
  handle.addEventListener("keydown", (ev) => {
    if (ev.ctrlKey || ev.metaKey || ev.altKey) return;
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[ev.key];
    const n = ev.shiftKey ? 10 : 1, key = chosen;
    if (by) put(key, [handle.at[0] + n * by[0], handle.at[1] + n * by[1]]);
    else if (ev.key === "Delete" || ev.key === "Backspace") {
      change(() => {
        if (key.startsWith("scale")) delete notes.scale;
        else notes.points = (notes.points || []).filter((p) => !(p.frame === frame && p.part === key));
      });
    } else return;
    ev.preventDefault();
    ev.stopPropagation();
  });
  // What is touched is the nearest point, a finger's width around it.
  $("picture").addEventListener("pointerdown", (ev) => {
    if (ev.button || !marks.size) return;
    const box = $("picture").getBoundingClientRect(), scale = start.width / box.width;
    const to = (e) => [(e.clientX - box.left) * scale, (e.clientY - box.top) * scale];
    const far = (m) => Math.hypot(m.at[0] - to(ev)[0], m.at[1] - to(ev)[1]) / scale;
    const [key, m] = [...marks].reduce((a, b) => (far(b[1]) < far(a[1]) ? b : a));
    if (far(m) > 24) return;
    ev.preventDefault();
    chosen = key;
    handles();
    handle.focus({ preventScroll: true });
    const from = to(ev), at = m.at.slice(), area = $("picture");
    let moved = false;
    area.setPointerCapture(ev.pointerId);
    const move = (e) => {
      const p = to(e);
      if (!moved && Math.hypot(p[0] - from[0], p[1] - from[1]) < 2 * scale) return;
      moved = true;
      held = { key, at: [clamp(at[0] + p[0] - from[0], 0, start.width), clamp(at[1] + p[1] - from[1], 0, start.height)] };
      handles();
    };
    const end = (e) => {
      for (const k of ["pointermove", "pointerup", "pointercancel"]) area.removeEventListener(k, k === "pointermove" ? move : end);
      const now = held;
      held = null;
      if (moved && e.type === "pointerup") put(key, now.at);
      handles();
    };
    for (const k of ["pointermove", "pointerup", "pointercancel"]) area.addEventListener(k, k === "pointermove" ? move : end);
  });
  function put(key, at) {
    at = [clamp(Math.round(10 * at[0]) / 10, 0, start.width), clamp(Math.round(10 * at[1]) / 10, 0, start.height)];
    if (key.startsWith("scale")) {
      const ends = scaleEnds(), i = key === "scale0" ? 0 : 2;
      ends[i] = at[0];
      ends[i + 1] = at[1];
      const long = (notes.scale || "").split("=")[1] || "17in";
      change(() => { notes.scale = ends.join(",") + "=" + long; });
      return;
    }
    change(() => {
      notes.points = (notes.points || []).filter((p) => !(p.frame === frame && p.part === key));
      notes.points.push({ part: key, frame, at });
    });
  }
  // The magnifier: four picture pixels for one around the held point.
  function lens() {
    const h = handle, c = $("lens"), p = $("still").picture;
    if (!h.isConnected || !(held || document.activeElement === h) || !p || shown !== frame) { c.hidden = true; return; }
    const n = 45, g = c.getContext("2d");
    c.hidden = false;
    c.classList.toggle("left", h.at[0] > start.width / 2 && h.at[1] < start.height / 2);
    g.imageSmoothingEnabled = false;
    g.fillRect(0, 0, 180, 180);
    const s = p.naturalWidth / start.width;
    g.drawImage(p, (h.at[0] - n / 2) * s, (h.at[1] - n / 2) * s, n * s, n * s, 0, 0, 180, 180);
    for (const [colour, width] of [["#241c14", 4], ["#fffdf6", 1.5]]) {
      g.strokeStyle = colour;
      g.lineWidth = width;
      g.beginPath();
      for (const [a, b, c2, d] of [[90, 60, 90, 84], [90, 96, 90, 120], [60, 90, 84, 90], [96, 90, 120, 90]]) { g.moveTo(a, b); g.lineTo(c2, d); }
      g.stroke();
    }
  }
  function toggle(id) {
    const on = $(id).getAttribute("aria-pressed") !== "true";
    $(id).setAttribute("aria-pressed", on);
    return on;
  }
  const aiming = () => { $("picture").classList.toggle("aim", showPoints || showLength); handles(); };
  $("points").addEventListener("click", () => { showPoints = toggle("points"); aiming(); });
  $("length").addEventListener("click", () => { showLength = toggle("length"); chosen = "scale0"; if (showLength) { show(0); say(w("length_how")); } aiming(); });

  // ---- changes ----
  function change(f) {
    const before = JSON.stringify(notes);
    f();
    tidy();
    if (JSON.stringify(notes) === before) return;
    undo.push(before);
    if (undo.length > 200) undo.shift();
    redo.length = 0;
    changed();
  }
  // What says nothing is left out.
  function tidy() {
    const empty = (v) => v === "" || v === null || v === undefined || (Array.isArray(v) ? !v.length : typeof v === "object" && !Object.keys(v).length);
    for (const k of ["palms", "findings"]) if (notes[k]) for (const [i, v] of Object.entries(notes[k])) if (empty(v)) delete notes[k][i];
    for (const [k, v] of Object.entries(notes)) if (empty(v) || (k === "swing" && !v)) delete notes[k];
  }
  let ask = 0, timer = 0, complained = false;
  function changed() {
    fields();
    string();
    handles();
    buttons();
    clearTimeout(timer);
    timer = setTimeout(rejudge, 60);
  }
  async function rejudge() {
    const mine = ++ask;
    try {
      const { code, v } = await send("/judge", JSON.stringify(notes), { "Content-Type": "application/json" });
      if (mine !== ask) return;
      if (code === 200 && v) {
        const other = judged && judged.swing !== v.swing;
        judged = v;
        if (other) { // of another swing: its own pictures
          spanOf();
          const e = eventOf("contact");
          if (e && e.frame >= 0) show(e.frame);
        }
        if (complained) say(""); // what else was said stays
        complained = false;
        draw();
      } else {
        complained = true;
        say(v.what || w("unjudged"));
      }
    } catch {
      if (mine === ask) { complained = true; say(w("unreached")); }
    }
    document.body.dataset.judged = mine;
  }
  function step(from, to) {
    if (!from.length) return;
    to.push(JSON.stringify(notes));
    notes = JSON.parse(from.pop());
    changed();
  }
  $("undo").addEventListener("click", () => step(undo, redo));
  $("redo").addEventListener("click", () => step(redo, undo));
  const dirty = () => JSON.stringify(notes) !== saved;
  function buttons() {
    $("undo").disabled = !undo.length;
    $("redo").disabled = !redo.length;
    $("save").disabled = !dirty() || !start.here;
    $("redraw").disabled = !start.here;
  }
  window.addEventListener("beforeunload", (e) => { if (dirty()) e.preventDefault(); });

  async function save() {
    if (!dirty()) return true;
    const sent = JSON.stringify(notes);
    const { code, v } = await send("/notes", sent, { "Content-Type": "application/json", "If-Match": '"' + tag + '"' });
    if (code === 200) {
      tag = v.tag;
      saved = sent;
      $("conflict").hidden = true;
      $("past-card").hidden = false;
      $("past").prepend(el("li", {}, v.at + " " + v.who + " ", el("small", {}, w("past_notes"))));
      say(w("saved"));
      buttons();
      return true;
    }
    if (code === 409) conflict(v);
    else say(v.what || w("unsaved"));
    return false;
  }
  function conflict(v) {
    const c = $("conflict");
    c.replaceChildren(
      el("p", {}, form(w("conflict"), v.who || w("somebody"), v.at)),
      el("div", { class: "bar" },
        el("button", { type: "button", id: "theirs", onclick: () => { undo.push(JSON.stringify(notes)); notes = v.notes || {}; tag = v.tag; saved = JSON.stringify(notes); c.hidden = true; changed(); } }, w("take_theirs")),
        el("button", { type: "button", id: "mine", onclick: () => { tag = v.tag; c.hidden = true; save(); } }, w("keep_mine"))));
    c.hidden = false;
    $("theirs").focus();
  }
  $("save").addEventListener("click", save);

  // ---- the video anew ----
  $("redraw").addEventListener("click", async () => {
    if (!(await save())) return;
    const { code, v } = await send("/redraw", "", {});
    if (code !== 200) { say(v.what || w("unreached")); return; }
    say(w("redraw_waits"));
    doing(v, true);
  });
  function doing(v, asked) {
    $("state").textContent = v.text;
    $("progress").hidden = !v.busy;
    if (v.busy) {
      if (v.total) $("progress").value = v.done / v.total; else $("progress").removeAttribute("value");
      setTimeout(async () => {
        try {
          const r = await fetch(base + "/doing", { credentials: "same-origin" });
          if (r.ok) doing(await r.json(), true);
        } catch { say(w("unreached")); }
      }, 700);
    } else if (asked) {
      $("say").replaceChildren(v.state === "done" && !v.mended ? w("redrawn") + " " : w("not_redrawn") + " ", el("a", { href: base + location.search }, w("look_again")));
    }
  }

  // ---- fields ----
  const field = (key) => key.split(".").reduce((o, k) => (o ? o[k] : undefined), notes);
  const inputs = [...document.querySelectorAll("[data-key]")];
  for (const f of inputs) {
    f.first = f.dataset.key === "player" || f.dataset.key === "date" ? f.value : "";
    f.addEventListener("change", () => change(() => {
      const v = f.value.trim();
      const [a, b] = f.dataset.key.split(".");
      if (b) (notes[a] = notes[a] || {})[b] = v;
      else if (a === "swing") notes.swing = Number(v);
      else if (f.first && v === f.first && notes[a] === undefined) return;
      else notes[a] = v;
    }));
  }
  function fields() {
    for (const f of inputs) {
      if (f === document.activeElement && f.tagName === "INPUT") continue;
      const v = field(f.dataset.key);
      f.value = v === undefined ? f.first : String(v);
    }
    if (document.activeElement !== $("note")) $("note").value = (notes.notes || []).join("\n\n");
  }
  $("note").addEventListener("change", () => change(() => {
    notes.notes = $("note").value.split(/\n\s*\n/).map((s) => s.trim()).filter(Boolean);
  }));

  // ---- findings ----
  const found = () => (notes.findings = notes.findings || {});
  const ownAt = (f) => (f.own ? ((notes.findings && notes.findings.add) || []).findIndex((a) => a.text.trim() === f.text) : -1);
  // What is said in the order that is shown; "coach" is the next of the coach's
  // own, which are put into that order too.
  function arrange(list) {
    const fs = found(), own = list.map(ownAt).filter((i) => i >= 0), add = fs.add || [];
    fs.add = own.map((i) => add[i]).concat(add.filter((a, i) => !own.includes(i)));
    const here = list.map((f) => (f.own ? "coach" : f.rule));
    fs.first = here.concat((fs.first || []).filter((r) => r !== "coach" && !here.includes(r)), Array(fs.add.length - own.length).fill("coach"));
  }
  const group = (f) => (f.kind === "cant_tell" ? "" : f.kind === "strength" ? "good" : "fix");
  let moved = null; // what was moved last, and by which button: it keeps the focus
  function move(f, by) {
    const list = judged.findings.filter((x) => group(x)), i = list.indexOf(f), j = i + by;
    if (!list[j] || group(list[j]) !== group(f)) return;
    moved = { name: f.own ? f.text : f.rule, by };
    change(() => { [list[i], list[j]] = [list[j], list[i]]; arrange(list); });
  }
  function dropOwn(i) {
    const fs = found();
    let n = -1;
    fs.add.splice(i, 1);
    fs.first = (fs.first || []).filter((r) => r !== "coach" || ++n !== i);
  }
  function findings() {
    const out = [];
    const names = { strength: w("kind_strength"), priority: w("kind_priority"), secondary: w("kind_secondary"), cant_tell: w("kind_cant_tell") };
    const button = (text, what, f) => el("button", { type: "button", class: "quiet", "aria-label": text + ": " + what, onclick: f }, text);
    const all = judged ? judged.findings : [];
    let focus = null;
    all.forEach((f, i) => {
      const li = el("li", { "data-rule": f.rule, "data-kind": f.kind }, el("p", {}, el("b", {}, names[f.kind] || f.kind), " ", f.text));
      const bar = el("div", { class: "bar" });
      const own = ownAt(f);
      if (own >= 0) bar.append(button(w("edit"), f.text, () => edit(li, f.text, (t) => { if (t) found().add[own].text = t; else dropOwn(own); })));
      else if (!f.own && group(f)) {
        bar.append(button(w("edit"), f.text, () => edit(li, f.text, (t) => {
          const fs = found();
          fs.say = (fs.say || []).filter((s) => !(s.rule === f.rule && (s.kind === "strength") === (f.kind === "strength")));
          if (t) fs.say.push({ rule: f.rule, kind: f.kind, text: t });
        })));
      }
      if (group(f) && (own >= 0 || !f.own)) {
        for (const [by, text] of [[-1, w("move_up")], [1, w("move_down")]]) {
          const b = button(text, f.text, () => move(f, by));
          b.disabled = !all[i + by] || group(all[i + by]) !== group(f);
          if (moved && moved.name === (f.own ? f.text : f.rule) && (moved.by === by || !focus) && !b.disabled) focus = b;
          bar.append(b);
        }
        li.addEventListener("keydown", (ev) => {
          const by = { ArrowUp: -1, ArrowDown: 1 }[ev.key];
          if (!by || !ev.altKey || ev.target.tagName !== "BUTTON") return;
          ev.preventDefault();
          move(f, by);
        });
      }
      if (own >= 0) bar.append(button(w("drop"), f.text, () => change(() => dropOwn(own))));
      else if (!f.own) bar.append(button(w("drop"), f.text, () => change(() => { const fs = found(); fs.drop = (fs.drop || []).concat(f.rule); })));
      li.append(bar);
      out.push(li);
    });
    for (const rule of (notes.findings && notes.findings.drop) || []) {
      const r = start.rules[rule], text = r ? r.fix : rule;
      out.push(el("li", { class: "gone", "data-rule": rule }, el("p", {}, text), el("div", { class: "bar" }, button(w("say_again"), text, () => change(() => { found().drop = found().drop.filter((x) => x !== rule); })))));
    }
    tidy();
    const within = document.activeElement && $("findings").contains(document.activeElement);
    $("findings").replaceChildren(...out);
    if (within) (focus || $("own-text")).focus({ preventScroll: true });
    moved = null;
  }
  function edit(li, text, done) {
    const area = el("textarea", { rows: "2", maxlength: "500", "aria-label": w("edit") });
    area.value = text;
    const ok = el("button", { type: "button", onclick: () => { const t = area.value.trim(); change(() => done(t)); findings(); } }, w("done"));
    li.replaceChildren(area, el("div", { class: "bar" }, ok));
    area.focus();
  }
  $("own-add").addEventListener("click", () => {
    const text = $("own-text").value.trim();
    if (!text) { $("own-text").focus(); return; }
    $("own-text").value = "";
    change(() => { const fs = found(); fs.add = (fs.add || []).concat({ kind: $("own-kind").value, text }); });
  });

  function draw() {
    trace();
    string();
    describe();
    handles();
    findings();
    if (!judged) return;
    $("about").textContent = judged.about;
    const line = (r) => el("tr", r.changed ? { class: "changed" } : {}, el("th", { scope: "row" }, r.name), el("td", {}, r.was),
      el("td", {}, r.changed || !r.was ? r.now : w("same"), r.standing ? " " : "", r.standing ? el("i", {}, r.standing) : ""));
    $("rows").replaceChildren(...judged.rows.filter((r) => r.banded || r.changed).map(line));
    $("more").replaceChildren(...judged.rows.filter((r) => !(r.banded || r.changed)).map(line));
    $("doubts").replaceChildren(...(judged.doubts.length ? judged.doubts : [w("no_doubts")]).map((d) => el("li", {}, d)));
    $("swing").replaceChildren(el("option", { value: "" }, w("as_read")), ...judged.swings.map((i) => el("option", { value: i }, form(w("swing_n"), i))));
    const f = $("swing");
    f.value = notes.swing ? String(notes.swing) : "";
  }

  // ---- voice ----
  let recorder = null;
  function voice(there) {
    const a = $("voice");
    a.hidden = $("unrecord").hidden = !there;
    if (there) a.src = base + "/voice?" + Date.now(); else a.removeAttribute("src");
  }
  $("record").addEventListener("click", async () => {
    if (recorder) { recorder.stop(); return; }
    if (!navigator.mediaDevices || !window.MediaRecorder) { say(w("no_microphone")); return; }
    let stream;
    try { stream = await navigator.mediaDevices.getUserMedia({ audio: true }); } catch { say(w("no_microphone")); return; }
    const parts = [];
    recorder = new MediaRecorder(stream);
    recorder.ondataavailable = (e) => parts.push(e.data);
    recorder.onstop = async () => {
      stream.getTracks().forEach((t) => t.stop());
      const type = recorder.mimeType;
      recorder = null;
      $("record").textContent = w("record");
      const { code, v } = await send("/voice", new Blob(parts, { type }), { "Content-Type": "application/octet-stream" });
      say(code === 200 ? w("recorded") : v.what || w("unsaved"));
      if (code === 200) voice(true);
    };
    recorder.start();
    $("record").textContent = w("stop");
    say(w("recording"));
    setTimeout(() => { if (recorder) recorder.stop(); }, 118000);
  });
  $("unrecord").addEventListener("click", async () => {
    const { code } = await send("/voice", "", { "Content-Type": "application/octet-stream" });
    if (code === 200) { voice(false); say(w("unrecorded")); $("record").focus(); }
  });

  // ---- keys ----
  for (const b of document.querySelectorAll("[data-step]")) b.addEventListener("click", () => show(frame + Number(b.dataset.step)));
  document.addEventListener("keydown", (e) => {
    const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(e.target.tagName);
    if ((e.ctrlKey || e.metaKey) && !e.altKey) {
      const k = e.key.toLowerCase();
      if (k === "s") { e.preventDefault(); if (typing) e.target.blur(); save(); }
      if (typing) return;
      if (k === "z") { e.preventDefault(); if (e.shiftKey) step(redo, undo); else step(undo, redo); }
      if (k === "y") { e.preventDefault(); step(redo, undo); }
      return;
    }
    if (typing || e.altKey || /^(AUDIO|VIDEO)$/.test(e.target.tagName)) return;
    const by = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (by) { e.preventDefault(); show(frame + by * (e.shiftKey ? 10 : 1)); return; }
    if (document.activeElement !== $("film")) return;
    // Single letters only while the picture has the focus.
    if (e.key === "Home" || e.key === "End") { e.preventDefault(); show(e.key === "Home" ? 0 : last); }
    else if (/^[1-8]$/.test(e.key)) { const v = judged && judged.events[e.key - 1]; if (v && v.frame >= 0) show(v.frame); }
    else if (e.key === "p") $("points").click();
    else if (e.key === "n") $("next").click();
  });
  window.addEventListener("resize", () => { fit(); string(); });

  spanOf();
  fit();
  draw();
  fields();
  buttons();
  voice(start.voice);
  if (start.what) say(start.what);
  if (!start.here) say(w("not_here"));
  if (start.doing.busy) doing(start.doing, false);
  const first = eventOf("contact");
  show(first && first.frame >= 0 ? first.frame : 0);
  document.body.dataset.judged = 0;
})();
