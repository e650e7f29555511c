// The page Record: a name drawn by finger or pen. Without script the typed name
// stands alone, so the field for drawing is hidden until this has run.
"use strict";
(function () {
  const place = document.querySelector("[data-sign]");
  if (!place) return;
  const canvas = place.querySelector("canvas");
  const wipe = place.querySelector("button");
  const field = place.querySelector("input");
  const pen = canvas.getContext("2d");
  const strokes = [];
  let stroke = null;
  place.hidden = false;

  // The box has the same bounds (rules/jobs.go).
  const grid = 1295, mostDots = 600, mostStrokes = 80;

  const draw = () => {
    const wide = canvas.clientWidth, high = canvas.clientHeight, fine = window.devicePixelRatio || 1;
    canvas.width = Math.round(wide * fine);
    canvas.height = Math.round(high * fine);
    pen.scale(fine, fine);
    pen.lineWidth = 2.5;
    pen.lineCap = pen.lineJoin = "round";
    pen.strokeStyle = getComputedStyle(canvas).color;
    for (const s of strokes) {
      pen.beginPath();
      pen.moveTo(s[0][0] * wide, s[0][1] * high);
      for (const [x, y] of s) pen.lineTo(x * wide, y * high);
      pen.stroke();
    }
  };

  const digits = share => {
    const n = Math.round(Math.min(1, Math.max(0, share)) * grid);
    return Math.floor(n / 36).toString(36) + (n % 36).toString(36);
  };

  // A line between two others that leaves them by little is left out, the more
  // the more there are.
  const thin = (s, near) => {
    if (s.length < 3) return s;
    const [a, b] = [s[0], s[s.length - 1]];
    const [dx, dy] = [3 * (b[0] - a[0]), b[1] - a[1]]; // the field is three times as wide as high
    const long = Math.hypot(dx, dy);
    let far = 0, at = 0;
    for (let i = 1; i < s.length - 1; i++) {
      const [ex, ey] = [3 * (s[i][0] - a[0]), s[i][1] - a[1]];
      const off = long > 0 ? Math.abs(dx * ey - dy * ex) / long : Math.hypot(ex, ey);
      if (off > far) [far, at] = [off, i];
    }
    if (far <= near) return [a, b];
    return thin(s.slice(0, at + 1), near).concat(thin(s.slice(at), near).slice(1));
  };

  const keep = () => {
    const drawn = strokes.slice(0, mostStrokes);
    for (let near = 0.005; ; near *= 1.5) {
      const thinned = drawn.map(s => thin(s, near));
      if (near < 1 && thinned.reduce((n, s) => n + s.length, 0) > mostDots) continue;
      field.value = thinned.map(s => s.map(([x, y]) => digits(x) + digits(y)).join("")).join("-");
      return;
    }
  };

  const dot = event => {
    const at = canvas.getBoundingClientRect();
    return [(event.clientX - at.left) / at.width, (event.clientY - at.top) / at.height];
  };
  canvas.addEventListener("pointerdown", event => {
    if (!event.isPrimary || strokes.length >= mostStrokes) return;
    canvas.setPointerCapture(event.pointerId);
    strokes.push(stroke = [dot(event)]);
    event.preventDefault();
    draw();
  });
  canvas.addEventListener("pointermove", event => {
    if (!stroke || !event.isPrimary) return;
    const next = dot(event), last = stroke[stroke.length - 1];
    if (Math.hypot(3 * (next[0] - last[0]), next[1] - last[1]) < 0.008) return;
    stroke.push(next);
    draw();
  });
  const end = () => {
    if (!stroke) return;
    stroke = null;
    keep();
  };
  canvas.addEventListener("pointerup", end);
  canvas.addEventListener("pointercancel", end);
  wipe.addEventListener("click", () => {
    strokes.length = 0;
    field.value = "";
    draw();
  });
  window.addEventListener("resize", draw);
  draw();
})();
