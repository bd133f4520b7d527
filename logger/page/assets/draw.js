"use strict";
// Drawing of the bench page: the tube of phases, the last ten minutes, and
// pressure against glass temperature. A point is
// [seq, s, Torr, °C, mA, phase, light in %];
// null is no reading, and no line is drawn across it.
const draw = (() => {
  const ink = "#1b2333", pale = "#515a69", rule = "#d8d2c1", limitInk = "#9b1b30";
  const inks = ["#12508c", "#a63c06", "#2f1638", "#7a5a00"];
  const span = 600; // s shown

  function begin(canvas) {
    const box = canvas.getBoundingClientRect(), k = window.devicePixelRatio || 1;
    const w = Math.max(50, box.width), h = Math.max(20, box.height);
    if (canvas.width !== Math.round(w * k) || canvas.height !== Math.round(h * k)) {
      canvas.width = Math.round(w * k);
      canvas.height = Math.round(h * k);
    }
    const c = canvas.getContext("2d");
    c.setTransform(k, 0, 0, k, 0, 0);
    c.clearRect(0, 0, w, h);
    c.font = '12px "Liberation Sans", Arial, sans-serif';
    c.lineJoin = "round";
    return {c, w, h};
  }

  // Stretches of one phase: [phase, from, to] in s.
  function stretches(points) {
    const out = [];
    for (const p of points) {
      const last = out[out.length - 1];
      if (last && last[0] === p[5]) last[2] = p[1];
      else { if (last) last[2] = p[1]; out.push([p[5], p[1], p[1]]); }
    }
    return out;
  }

  function tube(canvas, points, now, phases) {
    const {c, w, h} = begin(canvas);
    const cap = 26, r = (h - 12) / 2, y0 = 6, y1 = h - 6, x0 = cap, x1 = w - cap;
    c.save();
    c.beginPath();
    c.moveTo(x0 + r, y0); c.lineTo(x1 - r, y0); c.arc(x1 - r, h / 2, r, -Math.PI / 2, Math.PI / 2);
    c.lineTo(x0 + r, y1); c.arc(x0 + r, h / 2, r, Math.PI / 2, 3 * Math.PI / 2); c.closePath();
    c.fillStyle = "#ece8dc"; c.fill();
    c.clip();
    const at = t => x1 - (now - t) / span * (x1 - x0);
    for (const [id, from, to] of stretches(points)) {
      const a = Math.max(x0, at(from)), b = Math.min(x1, to >= now - 2 ? x1 : at(to));
      if (b <= a) continue;
      c.fillStyle = phases[id].colour;
      c.fillRect(a, y0, b - a + .5, y1 - y0);
      const wide = c.measureText(phases[id].name).width;
      if (wide + 16 < b - a) {
        c.fillStyle = phases[id].text;
        c.textAlign = "center";
        c.fillText(phases[id].name, (a + b) / 2, h / 2 + 4);
      }
    }
    c.globalAlpha = .22; c.fillStyle = "#fff"; c.fillRect(x0, y0 + 4, x1 - x0, 4);
    c.restore();
    // Glass outline and the two electrode leads.
    c.strokeStyle = ink; c.lineWidth = 2;
    c.beginPath();
    c.moveTo(x0 + r, y0); c.lineTo(x1 - r, y0); c.arc(x1 - r, h / 2, r, -Math.PI / 2, Math.PI / 2);
    c.lineTo(x0 + r, y1); c.arc(x0 + r, h / 2, r, Math.PI / 2, 3 * Math.PI / 2); c.closePath(); c.stroke();
    c.beginPath(); c.moveTo(2, h / 2); c.lineTo(x0, h / 2); c.moveTo(x1, h / 2); c.lineTo(w - 2, h / 2); c.stroke();
  }

  function logRange(points, low, high) {
    let lo = Infinity, hi = 0;
    for (const p of points) if (p[2] > 0) { lo = Math.min(lo, p[2]); hi = Math.max(hi, p[2]); }
    for (const v of [low, high]) if (v > 0 && v > lo / 30 && v < hi * 30) { lo = Math.min(lo, v); hi = Math.max(hi, v); }
    if (!(hi > 0)) { lo = .01; hi = 10; }
    lo = Math.max(-6, Math.floor(Math.log10(lo * .999)));
    return [lo, Math.max(lo + 1, Math.min(3, Math.ceil(Math.log10(hi * 1.001))))];
  }

  function top(points, k, least, high) {
    let hi = least;
    for (const p of points) if (p[k] !== null) hi = Math.max(hi, p[k]);
    if (high !== null && high < hi * 2.5) hi = Math.max(hi, high);
    return hi * 1.15;
  }

  function step(range, want) {
    const raw = range / Math.max(1, want), unit = Math.pow(10, Math.floor(Math.log10(raw)));
    for (const m of [1, 2, 5]) if (m * unit >= raw) return m * unit;
    return 10 * unit;
  }

  const boundsOf = (limits, role) => limits.filter(l => l.role === role && (l.low !== null || l.high !== null));

  function time(canvas, points, now, phases, limits, phaseFrom) {
    const {c, w, h} = begin(canvas);
    const x0 = 46, x1 = w - 8, foot = 34, gap = 20;
    const at = t => x1 - (now - t) / span * (x1 - x0);
    // Light has a band where there is any.
    const light = points.some(p => p[6] !== null);
    const share = light ? [.32, .28, .2, .2] : [.4, .36, .24], roles = ["pressure", "glass", "current", "light"];
    const names = ["Pressure, Torr", "Glass, °C", "Current, mA", "Light, %"], column = [2, 3, 4, 6];
    let y = gap;
    const room = h - foot - share.length * gap;
    const bands = stretches(points);
    for (let q = 0; q < share.length; q++) {
      const ph = room * share[q], y0 = y, y1 = y + ph;
      for (const [id, from, to] of bands) {
        const a = Math.max(x0, at(from)), b = Math.min(x1, at(to));
        if (b <= a) continue;
        c.globalAlpha = .1; c.fillStyle = phases[id].colour; c.fillRect(a, y0, b - a, ph); c.globalAlpha = 1;
      }
      const mine = boundsOf(limits, roles[q]);
      const high = mine.reduce((m, l) => l.high === null ? m : Math.max(m ?? -Infinity, l.high), null);
      const low = mine.reduce((m, l) => l.low === null ? m : Math.min(m ?? Infinity, l.low), null);
      let py;
      c.lineWidth = 1; c.textAlign = "right"; c.fillStyle = pale; c.strokeStyle = rule;
      if (q === 0) {
        const [lo, hi] = logRange(points, low, high);
        py = v => v > 0 ? y1 - Math.min(1, Math.max(0, (Math.log10(v) - lo) / (hi - lo))) * ph : null;
        for (let e = lo; e <= hi; e++) grid(c, x0, x1, py(Math.pow(10, e)), e < 0 ? Math.pow(10, e).toFixed(-e) : String(Math.pow(10, e)));
      } else {
        const hi = top(points, column[q], [0, 40, 50, 5][q], high), s = step(hi, ph / 26);
        py = v => y1 - Math.min(1, Math.max(0, v / hi)) * ph;
        for (let i = 0; i * s <= hi && i < 40; i++) grid(c, x0, x1, py(i * s), String(Math.round(i * s)));
      }
      c.textAlign = "left"; c.fillStyle = inks[q];
      c.font = 'bold 12px "Liberation Sans", Arial, sans-serif';
      c.fillText(names[q], x0, y0 - 5);
      c.font = '12px "Liberation Sans", Arial, sans-serif';
      for (const l of mine) for (const v of [l.low, l.high]) if (v !== null) {
        const ly = py(v), a = Math.max(x0, at(phaseFrom));
        if (ly === null || x1 - a < 2) continue;
        c.strokeStyle = limitInk; c.lineWidth = 1.6; c.setLineDash([6, 3]);
        c.beginPath(); c.moveTo(a, ly); c.lineTo(x1, ly); c.stroke(); c.setLineDash([]);
      }
      c.strokeStyle = inks[q]; c.lineWidth = 1.8;
      c.save(); c.beginPath(); c.rect(x0, y0 - 2, x1 - x0, ph + 4); c.clip();
      line(c, points, p => at(p[1]), p => p[column[q]] === null ? null : py(p[column[q]]));
      c.restore();
      y = y1 + gap;
    }
    c.fillStyle = pale;
    const every = x1 - x0 < 420 ? 2 : 1;
    for (let m = 0; m <= 10; m += every) {
      const x = at(now - m * 60);
      c.textAlign = m === 0 ? "right" : m === 10 ? "left" : "center";
      c.fillText(m === 0 ? "now" : m === 10 ? "−10" : "−" + m + " min", x, h - foot + 18);
    }
  }

  function grid(c, x0, x1, y, label) {
    c.beginPath(); c.moveTo(x0, y); c.lineTo(x1, y); c.stroke();
    c.fillText(label, x0 - 5, y + 4);
  }

  function line(c, points, fx, fy) {
    let open = false, last = null;
    c.beginPath();
    for (const p of points) {
      const y = fy(p), x = fx(p);
      if (y === null || x === null) { open = false; continue; }
      if (open && last !== null && p[1] - last > 5) open = false;
      if (open) c.lineTo(x, y); else c.moveTo(x, y);
      open = true; last = p[1];
    }
    c.stroke();
  }

  function pt(canvas, points, phases, limits) {
    const {c, w, h} = begin(canvas);
    const x0 = 46, x1 = w - 10, y0 = 20, y1 = h - 36;
    const pl = boundsOf(limits, "pressure"), gl = boundsOf(limits, "glass");
    const high = gl.reduce((m, l) => l.high === null ? m : Math.max(m ?? -Infinity, l.high), null);
    const [lo, hi] = logRange(points, null, null), gmax = top(points, 3, 60, high);
    const px = v => v === null ? null : x0 + Math.min(1, Math.max(0, v / gmax)) * (x1 - x0);
    const py = v => v > 0 ? y1 - Math.min(1, Math.max(0, (Math.log10(v) - lo) / (hi - lo))) * (y1 - y0) : null;
    c.fillStyle = pale; c.strokeStyle = rule; c.lineWidth = 1; c.textAlign = "right";
    for (let e = lo; e <= hi; e++) grid(c, x0, x1, py(Math.pow(10, e)), e < 0 ? Math.pow(10, e).toFixed(-e) : String(Math.pow(10, e)));
    c.textAlign = "center";
    const s = step(gmax, (x1 - x0) / 60);
    for (let i = 0; i * s <= gmax && i < 40; i++) {
      const x = px(i * s);
      c.beginPath(); c.moveTo(x, y0); c.lineTo(x, y1); c.stroke();
      c.fillText(String(Math.round(i * s)), x, y1 + 16);
    }
    c.font = 'bold 12px "Liberation Sans", Arial, sans-serif';
    c.textAlign = "left"; c.fillStyle = inks[0]; c.fillText("Pressure, Torr", x0, y0 - 6);
    c.textAlign = "right"; c.fillStyle = inks[1]; c.fillText("Glass, °C", x1, y1 + 32);
    c.font = '12px "Liberation Sans", Arial, sans-serif';
    c.strokeStyle = limitInk; c.lineWidth = 1.6; c.setLineDash([6, 3]);
    for (const l of gl) for (const v of [l.low, l.high]) if (v !== null && v <= gmax) {
      c.beginPath(); c.moveTo(px(v), y0); c.lineTo(px(v), y1); c.stroke();
    }
    for (const l of pl) for (const v of [l.low, l.high]) if (v !== null && v >= Math.pow(10, lo) && v <= Math.pow(10, hi)) {
      c.beginPath(); c.moveTo(x0, py(v)); c.lineTo(x1, py(v)); c.stroke();
    }
    c.setLineDash([]); c.lineWidth = 2.2;
    for (let i = 0; i < points.length;) {
      let j = i;
      while (j + 1 < points.length && points[j + 1][5] === points[i][5]) j++;
      c.strokeStyle = phases[points[i][5]].colour;
      line(c, points.slice(Math.max(0, i - 1), j + 1), p => px(p[3]), p => py(p[2]));
      i = j + 1;
    }
    const last = points[points.length - 1];
    if (last && last[3] !== null && last[2] > 0) {
      c.fillStyle = ink; c.beginPath(); c.arc(px(last[3]), py(last[2]), 6, 0, 2 * Math.PI); c.fill();
      c.fillStyle = "#fffdf7"; c.beginPath(); c.arc(px(last[3]), py(last[2]), 2.5, 0, 2 * Math.PI); c.fill();
    }
  }

  return {tube, time, pt, span};
})();
