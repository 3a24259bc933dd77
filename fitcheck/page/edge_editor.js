// Marks straight edges on a picture: choose an edge, drag its ends or the whole line.
// Coordinates that come in and go out are pixels of the picture, centres at whole numbers.

const EDITORS = new WeakMap(); // by the element they live in, so that they outlast a new run

export default function ({ data, parentElement, setStateValue }) {
  let editor = EDITORS.get(parentElement);
  if (!editor) {
    editor = makeEditor(parentElement);
    EDITORS.set(parentElement, editor);
  }
  editor.send = (edit) => setStateValue("edit", edit);
  editor.update(data);
  return () => {
    if (parentElement.isConnected || parentElement.host?.isConnected) return;
    editor.close();
    EDITORS.delete(parentElement);
  };
}

const PARTS = ["first end", "other end", "whole line"];
const REACH_MOUSE = 16, REACH_FINGER = 30, MAGNIFIER = 66;
const PIECE_PX = 320, STEP_PX = 128; // of the photograph, for the magnifier

function makeEditor(root) {
  const canvas = root.querySelector("canvas");
  const pen = canvas.getContext("2d");
  const told = root.querySelector("output");
  const choices = root.querySelector(".edges");
  const picture = new Image();
  let data = null, lines = [], revision = null, ready = false;
  let view = { scale: 1, x: 0, y: 0 }, whole = 1, viewed = "";
  let chosen = null, part = 0, drag = null, pinch = null, tap = null, past = [];
  let frameAsked = 0, keyTimer = 0;
  const fingers = new Map();
  const pieces = new Map(); // parts of the photograph at full resolution, by their place

  const wide = () => canvas.clientWidth, high = () => canvas.clientHeight;
  const toScreen = ([x, y], v = view) => [(x + 0.5) * v.scale + v.x, (y + 0.5) * v.scale + v.y];
  const toPicture = (x, y) => [(x - view.x) / view.scale - 0.5, (y - view.y) / view.scale - 0.5];
  const middle = ([a, b]) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  const copied = () => lines.map((l) => ({ ...l, ends: l.ends.map((p) => [...p]) }));
  const line = () => lines.find((l) => l.id === chosen);
  const redraw = () => { frameAsked ||= requestAnimationFrame(paint); };

  function show(box, name) { // the box of the picture, with a margin, as large as it goes
    const [left, top, right, bottom] = box;
    view.scale = Math.min(wide() / (right - left), high() / (bottom - top), 12);
    view.x = wide() / 2 - ((left + right) / 2) * view.scale;
    view.y = high() / 2 - ((top + bottom) / 2) * view.scale;
    viewed = name;
    redraw();
  }
  function showAll() {
    show([0, 0, data.width, data.height], "all");
    whole = view.scale;
  }
  function showLine() {
    const l = line();
    if (!l) return showAll();
    const xs = l.ends.map((p) => p[0]), ys = l.ends.map((p) => p[1]);
    const margin = 0.3 * Math.max(...xs.map((x) => x - Math.min(...xs)), ...ys.map((y) => y - Math.min(...ys)), 40);
    show([Math.min(...xs) - margin, Math.min(...ys) - margin, Math.max(...xs) + margin, Math.max(...ys) + margin], "line");
  }
  function zoom(by, x, y) {
    const scale = Math.min(16, Math.max(whole * 0.8, view.scale * by)), k = scale / view.scale;
    view = { scale, x: x - (x - view.x) * k, y: y - (y - view.y) * k };
    viewed = "";
    redraw();
  }

  function stroke(c, from, to, colour, width, dashed) {
    for (const [w, col] of [[width + 3, "rgba(16,20,24,.7)"], [width, colour]]) {
      c.setLineDash(dashed ? [8, 6] : []);
      c.lineWidth = w;
      c.strokeStyle = col;
      c.beginPath();
      c.moveTo(...from);
      c.lineTo(...to);
      c.stroke();
    }
    c.setLineDash([]);
  }
  function scene(c, v, width, sharp = null) {
    c.imageSmoothingEnabled = v.scale < 3;
    if (ready) c.drawImage(picture, v.x, v.y, data.width * v.scale, data.height * v.scale);
    if (sharp) {
      const s = v.scale / data.scale;
      c.imageSmoothingEnabled = s < 3;
      c.drawImage(sharp.image, v.x + sharp.left * s, v.y + sharp.top * s, sharp.side * s, sharp.side * s);
    }
    for (const m of data.measured ?? []) stroke(c, toScreen(m.ends[0], v), toScreen(m.ends[1], v), m.colour, Math.max(1, width - 0.5), false);
    for (const l of lines) {
      if (!l.byHand && !chosen && data.measured?.length) continue; // the measured line is drawn
      const mine = l.id === chosen;
      c.globalAlpha = mine || !chosen ? 1 : 0.55;
      stroke(c, toScreen(l.ends[0], v), toScreen(l.ends[1], v), l.colour, mine ? width + 0.5 : width, !mine && !!chosen);
      c.globalAlpha = 1;
    }
  }
  function handle([x, y], active, square) {
    for (const [w, col] of [[5, "#101418"], [2.5, active ? "#ffe14d" : "#fff"]]) {
      pen.lineWidth = w;
      pen.strokeStyle = col;
      pen.beginPath();
      if (square) pen.rect(x - 9, y - 9, 18, 18);
      else pen.arc(x, y, 11, 0, 7);
      pen.stroke();
    }
  }
  // The photograph's own pixels round a place: fetched as they are wanted, kept, drawn if there.
  function piece([x, y]) {
    if (!data.pieces) return null;
    const left = Math.max(0, Math.floor((x / data.scale) / STEP_PX) * STEP_PX - PIECE_PX / 2 + STEP_PX / 2);
    const top = Math.max(0, Math.floor((y / data.scale) / STEP_PX) * STEP_PX - PIECE_PX / 2 + STEP_PX / 2);
    const name = `${left},${top}`;
    if (!pieces.has(name)) {
      const [wide_, high_] = data.full;
      const side = Math.min(PIECE_PX, wide_, high_), part_ = new Image();
      const kept = { image: part_, ready: false, side, left: Math.min(left, Math.max(0, wide_ - side)), top: Math.min(top, Math.max(0, high_ - side)) };
      part_.onload = () => { kept.ready = true; redraw(); };
      part_.src = `${data.source}&x=${left}&y=${top}&side=${side}`;
      pieces.set(name, kept);
      if (pieces.size > 40) pieces.delete(pieces.keys().next().value);
    }
    const kept = pieces.get(name);
    return kept.ready ? kept : null;
  }
  function magnifier(at) {
    const [x] = toScreen(at), r = MAGNIFIER;
    const k = Math.max(view.scale * 2.5, 2.5 * data.scale); // never less than the photo's own pixels
    const c = [x < wide() / 2 ? wide() - r - 8 : r + 8, r + 8];
    pen.save();
    pen.beginPath();
    pen.arc(...c, r, 0, 7);
    pen.clip();
    pen.fillStyle = "#585858";
    pen.fillRect(c[0] - r, c[1] - r, 2 * r, 2 * r);
    const v = { scale: k, x: c[0] - (at[0] + 0.5) * k, y: c[1] - (at[1] + 0.5) * k };
    scene(pen, v, 1, piece(at));
    pen.restore();
    pen.lineWidth = 2.5;
    pen.strokeStyle = "#fff";
    pen.beginPath();
    pen.arc(...c, r, 0, 7);
    pen.stroke();
  }
  function paint() {
    frameAsked = 0;
    if (!data) return;
    const dpr = window.devicePixelRatio || 1;
    const w = Math.round(wide() * dpr), h = Math.round(high() * dpr);
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    pen.setTransform(dpr, 0, 0, dpr, 0, 0);
    pen.fillStyle = "#585858";
    pen.fillRect(0, 0, wide(), high());
    scene(pen, view, 2);
    const l = line();
    if (l) {
      l.ends.forEach((p, i) => handle(toScreen(p), part === i, false));
      handle(toScreen(middle(l.ends)), part === 2, true);
    }
    if ((drag || keyTimer) && l) magnifier(part === 2 ? middle(l.ends) : l.ends[part]);
  }

  function choose(id, which = 0) {
    chosen = id;
    part = which;
    for (const b of choices.children) b.setAttribute("aria-pressed", String(b.dataset.id === id));
    tell();
    redraw();
  }
  function tell() {
    const l = line();
    told.textContent = l ? `${l.label}: drag a ring to move that end, the square to move the line.` : lines.length ? "Thin lines: as measured. If one does not lie on its edge, choose it and move it." : "Nothing to mark in this photograph: zoom in to see whether it is sharp.";
  }
  function hit([x, y], reach) {
    const l = line();
    if (!l) return -1;
    let best = -1, least = reach;
    [l.ends[0], l.ends[1], middle(l.ends)].forEach((p, i) => {
      const s = toScreen(p), d = Math.hypot(s[0] - x, s[1] - y) + (i === 2 ? 4 : 0);
      if (d < least) { least = d; best = i; }
    });
    return best;
  }
  function lineAt([x, y], reach) {
    let best = null, least = reach;
    for (const l of lines) {
      const [a, b] = l.ends.map((p) => toScreen(p));
      const dx = b[0] - a[0], dy = b[1] - a[1];
      const t = Math.min(1, Math.max(0, ((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy || 1)));
      const d = Math.hypot(a[0] + t * dx - x, a[1] + t * dy - y);
      if (d < least) { least = d; best = l.id; }
    }
    return best;
  }
  function move(dx, dy, from) {
    const l = line(), inside = ([x, y]) => [Math.min(data.width - 1, Math.max(0, x)), Math.min(data.height - 1, Math.max(0, y))];
    l.ends = from.map((p, i) => (part === 2 || part === i ? inside([p[0] + dx, p[1] + dy]) : p));
    l.byHand = true;
    redraw();
  }
  function commit() {
    const round = (v) => Math.round(v * 100) / 100;
    const lines_ = lines.filter((l) => l.byHand).map((l) => ({ id: l.id, ends: l.ends.map((p) => p.map(round)) }));
    editor.send({ revision, count: Date.now(), lines: lines_ });
  }

  const place = (e) => {
    const r = canvas.getBoundingClientRect();
    return [e.clientX - r.left, e.clientY - r.top];
  };
  canvas.addEventListener("pointerdown", (e) => {
    try { canvas.setPointerCapture(e.pointerId); } catch { /* the finger has gone already */ }
    const at = place(e), reach = e.pointerType === "mouse" ? REACH_MOUSE : REACH_FINGER;
    fingers.set(e.pointerId, at);
    canvas.focus({ preventScroll: true });
    if (fingers.size === 2) {
      if (drag) lines = drag.before;
      drag = tap = null;
      const [a, b] = [...fingers.values()];
      pinch = { apart: Math.hypot(a[0] - b[0], a[1] - b[1]), at: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
      return redraw();
    }
    const found = hit(at, reach);
    if (found >= 0) {
      part = found;
      drag = { start: toPicture(...at), before: copied(), from: line().ends.map((p) => [...p]), moved: false };
    } else {
      tap = { at, other: lineAt(at, reach / 2) };
    }
    redraw();
  });
  canvas.addEventListener("pointermove", (e) => {
    const now = place(e);
    if (!fingers.has(e.pointerId)) {
      canvas.style.cursor = hit(now, REACH_MOUSE) >= 0 ? "move" : lineAt(now, 8) ? "pointer" : "grab";
      return;
    }
    const before = fingers.get(e.pointerId);
    fingers.set(e.pointerId, now);
    if (pinch && fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const apart = Math.hypot(a[0] - b[0], a[1] - b[1]), at = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      view.x += at[0] - pinch.at[0];
      view.y += at[1] - pinch.at[1];
      zoom(apart / pinch.apart, ...at);
      pinch = { apart, at };
    } else if (drag) {
      const p = toPicture(...now);
      drag.moved ||= Math.hypot(now[0] - toScreen(drag.start)[0], now[1] - toScreen(drag.start)[1]) > 2;
      if (drag.moved) move(p[0] - drag.start[0], p[1] - drag.start[1], drag.from);
    } else if (fingers.size === 1) {
      view.x += now[0] - before[0];
      view.y += now[1] - before[1];
      viewed = "";
      redraw();
    }
  });
  function lifted(e) {
    if (!fingers.delete(e.pointerId)) return;
    if (fingers.size < 2) pinch = null;
    if (tap?.other && e.type === "pointerup") {
      const at = place(e);
      if (Math.hypot(at[0] - tap.at[0], at[1] - tap.at[1]) < 6) choose(tap.other, 2);
    }
    tap = null;
    if (drag && !fingers.size) {
      const { before, moved } = drag;
      drag = null;
      if (moved) { past.push(before); commit(); }
    }
    redraw();
  }
  canvas.addEventListener("pointerup", lifted);
  canvas.addEventListener("pointercancel", lifted);
  canvas.addEventListener("wheel", (e) => {
    e.preventDefault();
    zoom(Math.exp(-e.deltaY * 0.0015), ...place(e));
  }, { passive: false });
  canvas.addEventListener("keydown", (e) => {
    if (e.key === "+" || e.key === "=") return zoom(1.5, wide() / 2, high() / 2);
    if (e.key === "-") return zoom(1 / 1.5, wide() / 2, high() / 2);
    if (e.key === "0") return showAll();
    if (!line()) {
      const by = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
      if (!by) return;
      e.preventDefault();
      view.x += by[0];
      view.y += by[1];
      viewed = "";
      return redraw();
    }
    if (["1", "2", "3"].includes(e.key)) {
      part = Number(e.key) - 1;
      told.textContent = `${line().label}: ${PARTS[part]}. Move it with the arrow keys.`;
      return redraw();
    }
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!step) return;
    e.preventDefault();
    if (!keyTimer) past.push(copied());
    const by = e.shiftKey ? 10 : 1;
    move(step[0] * by, step[1] * by, line().ends);
    clearTimeout(keyTimer);
    keyTimer = setTimeout(() => { keyTimer = 0; commit(); redraw(); }, 600);
  });
  choices.addEventListener("click", (e) => {
    const id = e.target.dataset?.id;
    if (id) { choose(id, 2); showLine(); }
  });
  root.querySelector(".tools").addEventListener("click", (e) => {
    const what = e.target.dataset?.do;
    if (what === "in") zoom(1.5, wide() / 2, high() / 2);
    if (what === "out") zoom(1 / 1.5, wide() / 2, high() / 2);
    if (what === "all") showAll();
    if (what === "undo" && past.length) { lines = past.pop(); redraw(); commit(); }
  });
  const resized = new ResizeObserver(() => {
    if (!data || !wide()) return;
    if (viewed === "all" || !viewed && view.scale === 1) showAll();
    else if (viewed === "line") showLine();
    else redraw();
  });
  resized.observe(canvas);

  function listEdges() {
    choices.replaceChildren(...lines.map((l) => {
      const b = document.createElement("button");
      b.type = "button";
      b.dataset.id = l.id;
      b.textContent = l.label;
      b.style.setProperty("--edge", l.colour);
      b.setAttribute("aria-pressed", String(l.id === chosen));
      return b;
    }));
  }
  const editor = {
    send() {},
    update(next) {
      const newPicture = !data || data.source !== next.source;
      const newLines = next.revision !== revision; // between revisions the user owns the lines
      data = next;
      if (newLines) {
        revision = next.revision;
        lines = next.lines.map((l) => ({ ...l, ends: l.ends.map((p) => [...p]) }));
        past = [];
        if (!line()) chosen = null;
        listEdges();
        tell();
      }
      if (newPicture) {
        ready = false;
        picture.onload = () => { ready = true; redraw(); };
        picture.onerror = () => { told.textContent = "The picture could not be loaded."; };
        pieces.clear();
        picture.src = data.source;
        showAll();
      }
      redraw();
    },
    close() {
      resized.disconnect();
      cancelAnimationFrame(frameAsked);
      clearTimeout(keyTimer);
    },
  };
  return editor;
}
