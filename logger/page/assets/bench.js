"use strict";
// Live part of the bench page: asks for the state once a second and shows it.
// All text goes in as text, never as markup.
(() => {
  const $ = id => document.getElementById(id);
  let phases = null, points = [], lastSeq = 0, latest = null, lastNews = performance.now(), shownSeq = -1, why = "";

  function el(tag, cls, text) {
    const e = document.createElement(tag);
    if (cls) e.className = cls;
    if (text !== undefined) e.textContent = text;
    return e;
  }

  // n significant digits, no exponent, but none below a tenth of the uncertainty plus.
  function sig(x, n = 3, plus = 0) {
    if (x === null) return "—";
    const a = Math.max(Math.abs(x), plus ? plus / 10 : 0);
    if (a === 0) return "0";
    let d = n - 1 - Math.floor(Math.log10(a));
    if (plus) d = Math.min(d, 1 - Math.floor(Math.log10(plus)));
    return d <= 0 ? String(Math.round(x)) : x.toFixed(Math.min(d, 9)).replace(/^-(0\.?0*)$/, "$1");
  }

  // Below a tenth of a Torr the trade speaks of microns.
  function trade(v) {
    if (v.unit !== "Torr" || v.value === null || v.value >= .1) return v;
    return Object.assign({}, v, {unit: "micron", value: v.value * 1000, plus: v.plus === null ? null : v.plus * 1000});
  }

  function clock(s) {
    if (s === null || s === undefined) return "—";
    s = Math.max(0, Math.round(s));
    const m = Math.floor(s / 60), two = n => String(n).padStart(2, "0");
    return m < 60 ? m + ":" + two(s % 60) : Math.floor(m / 60) + ":" + two(m % 60) + ":" + two(s % 60);
  }

  async function get(url) {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort(), 3000);
    try {
      const r = await fetch(url, {signal: stop.signal, cache: "no-store"});
      if (!r.ok) throw new Error((await r.text()).trim() || "the bench answered " + r.status);
      return await r.json();
    } finally { clearTimeout(timer); }
  }

  function reading(id, v, digits, extra) {
    v = trade(v);
    const e = $(id);
    e.querySelector(".unit").textContent = v.unit;
    const whole = id !== "pressure";
    e.querySelector(".x").textContent = v.value === null ? "—" : whole ? v.value.toFixed(0) : sig(v.value, digits, v.plus);
    e.querySelector(".pm").textContent = v.value === null ? "" : v.plus === null ? "uncertainty not known" : "± " + sig(v.plus, 2) + " " + v.unit + " (k = 2)";
    const more = e.querySelector(".more"), bad = !v.good || v.suspect;
    more.textContent = bad ? v.quality : extra || (v.quality === "good" ? "" : v.quality);
    more.classList.toggle("warn", bad);
  }

  function alarms(s) {
    const box = $("alarms");
    const sign = JSON.stringify(s.alarms.map(a => [a.id, a.state, a.detail, a.count]));
    // A latched alarm may be of the tube before: it says how old it is.
    const ago = () => box.querySelectorAll(".ago").forEach((e, i) => {
      const m = Math.floor(s.alarms[i].for_s / 60), text = m < 1 ? "" : ", raised " + (m < 120 ? m + " min" : Math.floor(m / 60) + " h") + " ago";
      if (e.textContent !== text) e.textContent = text;
    });
    if (box.dataset.sign === sign) return ago(); // leaves a focused button alone
    box.dataset.sign = sign;
    box.replaceChildren();
    box.hidden = s.alarms.length === 0;
    for (const a of s.alarms) {
      const d = el("div", "alarm" + (a.open ? " open" : ""));
      d.append(el("span", "sign", a.priority === "high" ? "▲▲▲" : a.priority === "medium" ? "▲▲" : "▲"));
      const what = a.title + (a.detail ? ": " + a.detail : "") + (a.count > 1 ? " (" + a.count + " times)" : "");
      d.append(el("div", "what", what));
      const todo = el("div", "do", a.response + " — " + a.priority + " priority, " + a.state);
      const since = el("span", "ago");
      since.setAttribute("aria-live", "off");
      todo.append(since);
      d.append(todo);
      if (a.open) {
        const b = el("button", "", "Acknowledge");
        b.addEventListener("click", async () => {
          b.disabled = true;
          try {
            const r = await fetch("/api/acknowledge?id=" + encodeURIComponent(a.id), {method: "POST"});
            if (!r.ok) throw new Error(await r.text());
          } catch (e) { b.textContent = "Not done: " + e.message; }
          b.disabled = false;
        });
        d.append(b);
      }
      box.append(d);
    }
    ago();
  }

  function limits(s) {
    const box = $("limits");
    box.replaceChildren();
    if (s.limits.length === 0) box.append(el("p", "quiet", "No limit applies in this phase."));
    for (const l of s.limits) {
      const d = el("div", "limit"), v = el("span", "v " + l.class);
      v.append(el("b", "", l.mark), " " + l.verdict);
      d.append(v, el("span", "", l.title + ": " + l.now), el("span", "bound", l.bound));
      d.append(el("span", "why", l.reason + (l.formula ? " From: " + l.formula + "." : "") + (l.basis ? " Basis: " + l.basis + (l.source ? " (" + l.source + ")" : "") + "." : "")));
      box.append(d);
    }
  }

  function troubles(s) {
    const box = $("troubles"), rest = $("others");
    box.replaceChildren();
    rest.replaceChildren();
    if (s.troubles.length === 0) box.append(el("p", "quiet", "Nothing is wrong with the logger."));
    for (const t of s.troubles) {
      const d = el("div", "trouble " + t.severity);
      d.append(el("b", "", t.severity + ": " + t.title + (t.subject ? ", " + t.subject : "")));
      d.append(el("span", "", t.cause + (t.hint ? ": " + t.hint : "") + ". For " + clock(t.for_s) + "."));
      box.append(d);
    }
    for (const c of s.channels.map(trade)) {
      const d = el("div", "chan");
      d.append(el("span", "", c.channel + " (" + c.role + ")"),
        el("span", c.good && !c.suspect ? "" : "outside", (c.good ? c.state || (c.role === "light" ? (100 * c.value).toFixed(1) + " %" : sig(c.value, 3, c.plus) + " " + c.unit) : c.quality) + (c.good && c.suspect ? " (" + c.quality + ")" : "")));
      // How evenly a waveform is sampled: what its RMS rests on.
      if (c.spacing_us) d.append(el("span", "even", "a sample each " + sig(c.spacing_us, 4) + " µs ± " + sig(c.jitter_us || 0, 2) + " µs"));
      rest.append(d);
    }
    rest.append(el("p", "quiet", "tipoff " + s.version + (s.wall ? ", " + s.wall + (s.wall_trusted ? "" : " (clock not yet set)") : "")));
  }

  // Which of glass and shells will be done first if nothing changes.
  function first(c) {
    const when = s => s === null ? "never" : s < 1 ? "now" : "in " + Math.round(s) + " s";
    if (c.first === "not known") return "";
    return (c.first === "either" ? ": either may be done first" : ": the " + c.first + " will be done first") +
      " (glass " + when(c.glass_in_s) + ", shells " + when(c.shells_in_s) + ")";
  }

  // How fast the glass goes, where its ceiling is not in sight.
  function rate(r) {
    if (r === null) return "";
    const x = Math.abs(r).toFixed(1);
    if (Number(x) === 0) return "glass steady";
    return r < 0 ? "glass −" + x + " °C/s" : "glass +" + x + " °C/s, ceiling more than a minute away";
  }

  function foresight(s) {
    const e = $("foresight"), c = s.ceiling;
    e.classList.toggle("hot", c.known && c.approaching);
    if (!c.known) e.textContent = "";
    else if (c.approaching) e.textContent = "glass ceiling in " + Math.max(0, Math.round(c.in_s)) + " s at this rate";
    else e.textContent = rate(c.rate_c_per_s);
    if (c.seating === "off" || c.seating === "loose") {
      e.classList.add("hot");
      e.textContent = c.seating === "off" ? "The thermocouple sees nothing of the arc: has it fallen off the glass?" : "The glass reading rises less than this arc must heat the tube: is the thermocouple tied on well?";
      return;
    }
    if (c.known && c.in_30_s_c !== null) e.textContent += (e.textContent ? ", " : "") + "in 30 s: " + Math.round(c.in_30_s_c) + " ± " + Math.max(1, Math.round(c.in_30_s_plus)) + " °C";
    if (c.glass_done !== null && (s.phase === "bombard" || s.phase === "shells"))
      e.textContent += " · glass " + Math.round(c.glass_done) + " % of the way, shells " +
        (c.shells_done === null ? "not known" : Math.round(c.shells_done) + " ± " + Math.round(c.shells_plus) + " % done") + first(c);
  }

  function show(s) {
    $("job").textContent = s.bench + (s.run.active ? " · run " + s.run.id + (s.run.tube ? " · " + s.run.tube : " · no tube card") + " · " + clock(s.run.for_s) :
      s.ageing.active ? " · ageing run " + s.ageing.id + " · " + s.ageing.tube : " · no run is being recorded");
    const demo = $("demo");
    demo.hidden = !s.emulated;
    demo.textContent = "Demonstration: these readings come from a computed bench, not from hardware. It runs at " + (s.speed === null ? "?" : Math.round(s.speed * 10) / 10) + " × real time.";
    $("phase").textContent = s.phase;
    $("phasefor").textContent = "for " + clock(s.phase_for_s) + (s.phase_note ? " · " + s.phase_note : "");
    const p = s.pressure_torr;
    reading("pressure", p, 3, p.channel);
    reading("glass", s.glass_c, 3, "");
    const k = s.channels.find(c => c.state && c.state.startsWith("contactor"));
    reading("current", s.current_ma, 3, "true RMS" + (k ? ", " + k.state : ""));
    foresight(s);
    // Shells glow with the arc on; once it has been said of this run it is said.
    $("glow").hidden = !s.run.active || glowed === s.run.id || !["dry", "bombard", "shells"].includes(s.phase);
    if (glowed !== s.run.id && $("glow").hidden) $("glowsaid").textContent = "";
    alarms(s);
    limits(s);
    troubles(s);
    ageing(s);
    $("cardnow").textContent = (s.run.active ? s.run.tube ? "This run: " + s.run.tube + ". " : "This run has no card; only limits that hold for any tube are judged. " : "") + (s.run.next ? "Next run: " + s.run.next + "." : "");
  }

  function ageing(s) {
    const a = s.ageing, light = s.channels.find(c => c.role === "light" && c.good);
    $("ageform").hidden = a.active;
    $("ageend").hidden = !a.active;
    $("agenow").classList.toggle("hot", a.dark || a.dim);
    $("agenow").textContent = a.trouble ? "What is wanted cannot be recorded: " + a.trouble : !a.active ? "No tube is ageing. The ageing run is recorded beside whatever the bench processes." :
      "Run " + a.id + ", tube " + a.tube + ": burnt " + clock(a.burnt_s) + (a.hours ? " of " + a.hours + " h" : "") +
      (a.dark ? ". THE TUBE IS OUT" : a.dim ? ". ITS LIGHT HAS COLLAPSED" : "") + (light ? ", light " + (100 * light.value).toFixed(1) + " %" : "") +
      (a.wanted_ma ? ", wanted " + Math.round(a.wanted_ma) + " mA" : "") + ".";
  }

  // The moment is the bench's own, when it hears of it.
  let glowed = null;
  $("glow").addEventListener("click", async () => {
    const said = $("glowsaid"), run = latest && latest.run.id;
    try {
      const r = await fetch("/api/glow", {method: "POST"});
      said.textContent = (await r.text()).trim();
      if (r.ok) glowed = run;
    } catch (err) { said.textContent = "It did not reach the bench: " + err.message; }
    if (glowed === run) $("glow").hidden = true;
  });

  async function askAge(url, body) {
    const said = $("agesaid");
    said.hidden = false;
    try {
      const r = await fetch(url, {method: "POST", headers: {"Content-Type": "application/toml"}, body});
      said.classList.toggle("bad", !r.ok);
      said.textContent = r.ok ? "Done; it shows within a second." : await r.text();
    } catch (err) {
      said.classList.add("bad");
      said.textContent = "It did not reach the bench: " + err.message;
    }
  }

  function paint() {
    if (!phases || !latest) return;
    draw.tube($("tube"), points, latest.now_s, phases);
    draw.time($("time"), points, latest.now_s, phases, latest.limits, latest.now_s - latest.phase_for_s);
    draw.pt($("pt"), points, phases, latest.limits);
  }

  function stale() {
    const s = (performance.now() - lastNews) / 1000, e = $("stale"), old = s > 4;
    document.body.classList.toggle("old", old);
    e.hidden = !old;
    if (old) e.textContent = "No news for " + Math.round(s) + " s. What is shown is old." + (why ? " " + why : "");
  }

  async function once() {
    try {
      if (!phases) phases = await get("/api/phases");
      const s = await get("/api/status");
      if (s.seq < lastSeq) { points = []; lastSeq = 0; } // the daemon has started anew
      const more = await get("/api/history?since=" + lastSeq);
      for (const p of more) points.push(p);
      if (points.length) lastSeq = points[points.length - 1][0];
      const from = s.now_s - draw.span - 5;
      let cut = 0;
      while (cut < points.length && points[cut][1] < from) cut++;
      points.splice(0, cut);
      if (s.seq !== shownSeq) { lastNews = performance.now(); shownSeq = s.seq; why = ""; }
      else why = "The bench answers but gives no new frames.";
      latest = s;
      show(s);
      paint();
    } catch (e) {
      why = e.name === "AbortError" || e.name === "TypeError" ? "The bench does not answer." : e.message;
    }
    stale();
    setTimeout(once, 1000);
  }

  $("cardfile").addEventListener("change", async e => {
    const f = e.target.files[0];
    if (f) $("cardtext").value = await f.text();
  });
  $("cardform").addEventListener("submit", async e => {
    e.preventDefault();
    const said = $("cardsaid");
    said.hidden = false;
    try {
      const r = await fetch("/api/card", {method: "POST", headers: {"Content-Type": "application/toml"}, body: $("cardtext").value});
      said.classList.toggle("bad", !r.ok);
      said.textContent = r.ok ? "The card is taken." : await r.text();
    } catch (err) {
      said.classList.add("bad");
      said.textContent = "The card did not reach the bench: " + err.message;
    }
  });
  $("ageform").addEventListener("submit", e => {
    e.preventDefault();
    const text = ["tube = " + JSON.stringify($("agetube").value.trim())], ma = $("agecurrent").value.trim(), h = $("agehours").value.trim();
    if (ma) text.push("current = " + JSON.stringify(ma + " mA"));
    if (h) text.push("hours = " + h);
    askAge("/api/age", text.join("\n") + "\n");
  });
  $("ageend").addEventListener("click", () => askAge("/api/age/end"));
  window.addEventListener("resize", paint);
  setInterval(stale, 500);
  once();
})();
