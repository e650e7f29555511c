// The curves of the page Trace: panned and zoomed by touch, wheel, keys and
// buttons; the address always says what is shown. Everything is there without
// it too, as pictures; it only saves reloading.
"use strict";
(function () {
  const place = document.getElementById("trace");
  const body = document.body;
  if (window.uPlot && place) new Trace(place);
  choices();

  // --- choosing points: works before anything is drawn ---------------------
  function choices() {
    const find = document.getElementById("trace-find"), form = document.getElementById("trace-form");
    if (!find) return;
    find.addEventListener("input", () => {
      const words = find.value.toLowerCase().split(/\s+/).filter((w) => w);
      for (const c of form.querySelectorAll(".choice")) c.hidden = !words.every((w) => c.dataset.words.includes(w));
      for (const f of form.querySelectorAll("fieldset")) f.hidden = !f.querySelector(".choice:not([hidden])");
    });
    find.addEventListener("keydown", (e) => { if (e.key === "Enter") e.preventDefault(); });
    form.addEventListener("submit", () => { find.disabled = true; }); // what is searched for is no part of the address
  }

  function Trace(place) {
    const { hatch, css } = window.drawing;
    const d = place.dataset, form = document.getElementById("trace-form");
    const least = 2000, most = 400 * 86400e3;
    const dashes = [[], [10, 4], [3, 3], [12, 3, 3, 3]];
    const charts = [];
    let points = d.points.split(",").filter((p) => p);
    let from = +d.from, to = +d.to, live = !!d.liveEnd, slide = !!d.slide, now = +body.dataset.now;
    let shift = +d.beside ? from - d.beside : 0; // what is laid beside lies so far back
    let data = null, earlier = null;             // as they came
    let held = false;                            // fingers are on a chart
    let loading = null, timer = 0, asked = 0;

    const strip = document.createElement("div");
    strip.className = "trace-strip";
    const trouble = document.createElement("p");
    trouble.className = "small";
    trouble.setAttribute("role", "status");
    const help = document.createElement("p");
    help.classList.add("small", "trace-keys");
    help.textContent = body.dataset.read + ". " + d.keys;
    place.append(strip, trouble, help);
    body.classList.add("has-uplot");

    // --- time at the site ---------------------------------------------------
    let zone = body.dataset.zone;
    try { new Intl.DateTimeFormat("sv-SE", { timeZone: zone }); } catch (e) { zone = "UTC"; }
    const stamp = new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "medium" });
    const day = new Intl.DateTimeFormat(document.documentElement.lang, { timeZone: zone, day: "numeric", month: "short" });
    const local = (ms) => stamp.format(ms).replace(" ", "T");
    const offset = (ms) => Date.parse(local(ms) + "Z") - Math.floor(ms / 1000) * 1000;
    const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400].map((s) => s * 1000);

    function timeTicks(width) {
      const span = to - from, room = Math.max(3, Math.floor(width / 76));
      let step = steps.find((s) => span / s < room) || 86400e3;
      while (span / step >= room) step *= 2;
      const off = offset(from), ticks = [];
      for (let t = Math.ceil((from + off) / step) * step - off; t <= to; t += step) {
        const text = local(t), clock = text.slice(11, step < 60e3 ? 19 : 16);
        ticks.push({ at: t, label: step >= 86400e3 || (clock === "00:00" && step >= 60e3) ? day.format(t) : clock });
      }
      return ticks;
    }

    // --- values -------------------------------------------------------------
    const digitsOf = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const grouped = (text) => {
      const [whole, rest] = text.split(".");
      const long = whole.replace("-", "").length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, ",") : whole;
      return rest === undefined ? long : long + "." + rest;
    };

    // On an axis there is no room for a million.
    function short(v, digits) {
      if (Math.abs(v) >= 1e6) return +(v / 1e6).toPrecision(3) + "M";
      if (Math.abs(v) >= 1e5) return +(v / 1e3).toPrecision(4) + "k";
      return grouped(v.toFixed(digits));
    }

    function number(v, digits) {
      if (digits < 0) {
        digits = 0;
        for (let x = Math.abs(v); x > 0 && x < 100 && digits < 2; x *= 10) digits++;
      }
      const text = v.toFixed(digits);
      return grouped(/^-[0.]+$/.test(text) ? text.slice(1) : text);
    }

    function said(line, v) {
      if (line.words) return v === 0 || v === 1 ? line.words[v] : number(100 * v, 0) + " % " + line.words[1];
      let text = number(v, line.digits) + " " + line.unit;
      if (line.other) text += " (" + number(v * line.other.scale + line.other.offset, line.other.digits) + " " + line.other.unit + ")";
      return text.trim();
    }

    function valueAxis(low, high, log) {
      const nice = (v, up) => {
        const e = Math.floor(Math.log10(v) + 1e-12), m = [1, 2, 3, 5, 10];
        const fit = m.map((s) => s * Math.pow(10, e));
        return up ? fit.find((f) => f >= v * (1 - 1e-9)) : fit.filter((f) => f <= v * (1 + 1e-9)).pop();
      };
      const ticks = [];
      if (log) {
        low = nice(Math.max(low, 1e-3), false);
        high = nice(Math.max(high, low * 1.01), true);
        for (const of of [[1, 2, 3, 5], [1, 3], [1]]) {
          ticks.length = 0;
          for (let e = Math.floor(Math.log10(low)); e <= Math.ceil(Math.log10(high)); e++) {
            for (const s of of) {
              const v = s * Math.pow(10, e);
              if (v >= low * (1 - 1e-9) && v <= high * (1 + 1e-9)) ticks.push({ at: v, label: short(v, digitsOf(Math.min(1, v))) });
            }
          }
          if (ticks.length <= 8) break;
        }
        return { low, high, ticks };
      }
      const least = Math.abs(high) / 20; // a steady value is a flat line, not its noise blown up
      if (high - low < least) { const middle = (low + high) / 2; low = middle - least / 2; high = middle + least / 2; }
      if (high - low < 1e-9) { low -= 0.5; high += 0.5; }
      const rough = (high - low) / 4, e = Math.pow(10, Math.floor(Math.log10(rough)));
      const step = [1, 2, 5, 10].map((s) => s * e).find((s) => s >= rough * (1 - 1e-9));
      low = Math.floor(low / step + 1e-9) * step;
      high = Math.ceil(high / step - 1e-9) * step;
      for (let i = 0; low + i * step <= high + step / 2; i++) {
        const v = low + i * step;
        ticks.push({ at: v, label: short(Math.abs(v) < step / 1e6 ? 0 : v, digitsOf(step)) });
      }
      return { low, high, ticks };
    }

    // --- the address ---------------------------------------------------------
    function query(more) {
      const q = ["points=" + points.map(encodeURIComponent).join(","), "from=" + Math.round(from)];
      if (!live) q.push("to=" + Math.round(to));
      return q.concat(more || []).join("&");
    }

    function address() {
      const q = ["points=" + points.map(encodeURIComponent).join(",")];
      if (live && slide) q.push("for=" + Math.round((to - from) / 1000) + "s");
      else q.push("from=" + Math.round(from));
      if (!live) q.push("to=" + Math.round(to));
      if (shift) q.push("beside=" + Math.round(from - shift));
      history.replaceState(null, "", "/trace?" + q.join("&"));
      form.elements.from.value = local(from);
      form.elements.to.value = live ? "" : local(to);
      for (const a of document.querySelectorAll(".trace-side [data-from]")) {
        const same = Math.abs(a.dataset.from - from) < 1500 && (+a.dataset.to ? !live && Math.abs(a.dataset.to - to) < 1500 : live && !slide);
        if (same || a.dataset.span && live && slide && Math.abs(a.dataset.span - (to - from)) < 1500) a.setAttribute("aria-current", "true");
        else a.removeAttribute("aria-current");
      }
      for (const back of document.querySelectorAll(".units input[name=back]")) back.value = location.pathname + location.search;
    }

    // --- getting the figures ---------------------------------------------------
    async function load() {
      clearTimeout(timer);
      if (loading) loading.abort();
      const first = document.getElementById("trace-first");
      if (first) first.hidden = points.length > 0;
      if (!points.length) { data = earlier = null; address(); build(); return; }
      const mine = loading = new AbortController();
      asked = Date.now();
      const columns = Math.min(2000, Math.max(100, 2 * width()));
      const get = async (q) => {
        const r = await fetch("/trace/data?" + q + "&wide=1&most=" + columns, { signal: mine.signal });
        if (!r.ok) throw new Error(r.status);
        return r.json();
      };
      address();
      try {
        const back = shift ? "points=" + points.map(encodeURIComponent).join(",") + "&from=" + Math.round(from - shift) + "&to=" + Math.round(to - shift) + "&plain=1" : "";
        const [a, b] = await Promise.all([get(query()), back ? get(back) : null]);
        data = unpack(a, 0);
        earlier = b && unpack(b, shift);
        trouble.textContent = a.lines.some((l) => l.t.length) ? "" : d.empty;
        if (a.now) now = Math.max(now, a.now);
        if (live && !held) { if (slide) from += a.to - to; to = a.to; }
        document.getElementById("trace-span").textContent = a.span;
        document.getElementById("trace-list").innerHTML = a.list || "";
        document.getElementById("trace-table").innerHTML = a.table || "";
        build();
        performance.mark("trace-drawn"); // deploy/bench asks when
      } catch (e) {
        if (e.name !== "AbortError") trouble.textContent = d.trouble;
      } finally {
        if (loading === mine) loading = null;
      }
    }

    const soon = (ms) => { clearTimeout(timer); timer = setTimeout(load, ms); };

    function unpack(answer, by) {
      for (const l of answer.lines) {
        let t = by;
        l.t = l.t.map((step) => (t += step));
        for (const g of l.gaps || []) { g.from += by; g.to += by; }
        l.low = l.low || l.y;
        l.high = l.high || l.y;
        l.step = Math.max(answer.width, 1);
      }
      return answer;
    }

    // --- the charts -----------------------------------------------------------
    const width = () => Math.max(240, Math.floor(place.clientWidth));

    function build() {
      const groups = [];
      for (const [i, l] of (data ? data.lines : []).entries()) {
        (groups[l.chart] = groups[l.chart] || []).push({ now: l, then: earlier && earlier.lines[i] });
      }
      while (charts.length > groups.length) charts.pop().drop();
      groups.forEach((g, i) => {
        const old = charts[i];
        if (!old || !old.fits(g)) {
          charts[i] = new Chart(g, old ? old.el : strip);
          if (old) old.drop();
        }
        charts[i].show(g);
      });
      drawStrip();
    }

    function redraw() {
      for (const c of charts) c.u.setScale("x", { min: from, max: to });
      drawStrip();
    }

    function Chart(group, before) {
      const me = this;
      me.el = document.createElement("section");
      me.el.className = "trace-chart";
      me.legend = document.createElement("ul");
      me.legend.className = "trace-legend";
      me.sheet = document.createElement("div");
      me.sheet.className = "trace-sheet";
      me.sheet.tabIndex = 0;
      me.sheet.setAttribute("role", "group");
      me.time = document.createElement("output");
      me.time.className = "readout";
      me.el.append(me.legend, me.sheet, me.time);
      place.insertBefore(me.el, before);
      const font = "13px system-ui, sans-serif";
      const axis = { stroke: () => css("--soft"), font, grid: { stroke: () => css("--rule"), width: 1 }, ticks: { show: false } };
      me.axis = { low: 0, high: 1, ticks: [] };
      const series = [{}];
      group.forEach((g, i) => series.push({ stroke: () => css("--line-" + (i + 1)), width: 2.2, dash: dashes[i], spanGaps: false, points: { show: false } }));
      group.forEach((g, i) => { if (g.then) series.push({ stroke: () => css("--line-" + (i + 1)), width: 1.2, dash: [5, 5], spanGaps: false, points: { show: false } }); });
      me.log = group[0].now.log;
      me.key = keyOf(group);
      const size = () => ({ width: width(), height: width() > 560 ? 300 : 232 });
      me.u = new uPlot(Object.assign(size(), {
        legend: { show: false },
        cursor: { y: false, drag: { x: false, y: false }, points: { size: 10, fill: (u, s) => css("--line-" + ((s - 1) % group.length + 1)) } },
        padding: [8, 20, 4, 0],
        scales: { x: { time: false, range: () => [from, to] }, y: { distr: me.log ? 3 : 1, log: 10, range: () => [me.axis.low, me.axis.high] } },
        axes: [
          Object.assign({}, axis, { size: 26, splits: () => (me.times = timeTicks(me.u ? me.u.bbox.width / devicePixelRatio : width())).map((t) => t.at), values: () => me.times.map((t) => t.label) }),
          Object.assign({}, axis, { size: 54, splits: () => me.axis.ticks.map((t) => t.at), values: () => me.axis.ticks.map((t) => t.label), filter: (u, s) => s }),
        ],
        series,
        hooks: { drawAxes: [(u) => under(me, u)], draw: [(u) => over(me, u)], setCursor: [() => { if (!pointing) read(me); }] },
      }), [[from, to]].concat(series.slice(1).map(() => [null, null])), me.sheet);
      const setScale = me.u.setScale;
      me.u.setScale = (key, range) => { if (key === "x") fit(me); setScale(key, range); };
      hands(me);
      me.sheet.addEventListener("keydown", (e) => keys(me, e));
      me.drop = () => { me.u.destroy(); me.el.remove(); };
      me.fits = (g) => keyOf(g) === me.key;
      me.resize = () => me.u.setSize(size());
      me.show = (g) => {
        me.group = g;
        me.sheet.setAttribute("aria-label", d.chart.replace("%s", g.map((x) => x.now.point).join(", ")));
        fit(me);
        const table = (l) => [l.t, l.y];
        const joined = uPlot.join([[[from, to], [null, null]]].concat(g.map((x) => table(x.now)), g.filter((x) => x.then).map((x) => table(x.then))));
        joined.splice(1, 1); // the two ends of the axis are no line
        me.u.setData(joined, false);
        me.u.setScale("x", { min: from, max: to });
        read(null);
      };
    }

    const keyOf = (g) => g.map((x) => x.now.point + "|" + x.now.unit + "|" + !!x.then).join(" ");

    // The value axis fits what is seen of all lines, and the limits over it.
    function fit(me) {
      let low = Infinity, high = -Infinity;
      const take = (v) => { if (v !== null && !(me.log && v <= 0)) { low = Math.min(low, v); high = Math.max(high, v); } };
      for (const x of me.group) {
        for (const l of [x.now, x.then]) {
          if (!l) continue;
          for (let i = place0(l.t, from); i < l.t.length && l.t[i] <= to; i++) { take(l.low[i]); take(l.high[i]); }
        }
        for (const m of x.now.limits || []) if (m.from <= to && m.to >= from) { take(m.at); take(m.at * (m.side === "above" ? 1.05 : 1)); }
      }
      if (low > high) { low = 0; high = 1; if (me.log) { low = 1; high = 10; } }
      if (me.group[0].now.words) { low = 0; high = 1; }
      me.axis = valueAxis(low, high, me.log);
    }

    // The first place in a sorted list that is not before a moment.
    function place0(t, ms) {
      let a = 0, b = t.length;
      while (a < b) { const m = (a + b) >> 1; if (t[m] < ms) a = m + 1; else b = m; }
      return a;
    }

    function clipped(u, draw) {
      const ctx = u.ctx, b = u.bbox;
      ctx.save();
      ctx.beginPath();
      ctx.rect(b.left, b.top, b.width, b.height);
      ctx.clip();
      draw(ctx, b, devicePixelRatio || 1, (ms) => u.valToPos(ms, "x", true), (v) => u.valToPos(Math.min(Math.max(v, me0(u).low), me0(u).high), "y", true));
      ctx.restore();
    }
    const me0 = (u) => charts.concat(drawing ? [drawing] : []).find((c) => c.u === u)?.axis || { low: -Infinity, high: Infinity };
    let drawing = null;

    // Under the lines: gaps, spreads, limits, begins and ends of steps.
    function under(me, u) {
      if (!me.group) return;
      drawing = me;
      clipped(u, (ctx, b, px, x, y) => {
        const bottom = b.top + b.height, right = b.left + b.width;
        for (const s of data.steps) {
          ctx.strokeStyle = css("--soft");
          ctx.lineWidth = px;
          ctx.setLineDash([2 * px, 4 * px]);
          for (const t of s.open ? [s.from] : [s.from, s.to]) {
            if (t <= from || t >= to) continue;
            ctx.beginPath();
            ctx.moveTo(x(t), b.top);
            ctx.lineTo(x(t), bottom);
            ctx.stroke();
          }
          ctx.setLineDash([]);
        }
        const lane = 9 * px, lines = me.group.map((g) => g.now);
        lines.forEach((l, i) => {
          for (const g of l.gaps || []) {
            if (g.to < from || g.from > to) continue;
            const x1 = Math.max(x(g.from), b.left), x2 = Math.min(Math.max(x(g.to), x(g.from) + 2 * px), right);
            const top = lines.length === 1 ? b.top : bottom - lane * (lines.length - i) + 2 * px;
            ctx.globalAlpha = lines.length === 1 ? 0.55 : 0.9;
            hatch(ctx, x1, top, x2, lines.length === 1 ? bottom : top + lane - 2 * px, (lines.length === 1 ? 7 : 4) * px, css("--line-" + (i + 1)), px, true);
            ctx.globalAlpha = 1;
          }
        });
        lines.forEach((l, i) => {
          if (l.low === l.y) return;
          ctx.fillStyle = css("--line-" + (i + 1));
          ctx.globalAlpha = 0.16;
          const end = Math.min(l.t.length, place0(l.t, to) + 1);
          for (let k = Math.max(0, place0(l.t, from) - 1); k < end;) {
            if (l.y[k] === null) { k++; continue; }
            const start = k;
            ctx.beginPath();
            for (; k < end && l.y[k] !== null; k++) ctx.lineTo(x(l.t[k]), y(l.high[k]));
            for (let m = k - 1; m >= start; m--) ctx.lineTo(x(l.t[m]), y(l.low[m]));
            ctx.fill();
          }
          ctx.globalAlpha = 1;
        });
        const words = new Set();
        for (const l of lines) {
          for (const m of l.limits || []) {
            if (m.from > to || m.to < from) continue;
            const x1 = Math.max(x(m.from), b.left), x2 = Math.min(x(m.to), right), at = y(m.at);
            ctx.globalAlpha = 0.6;
            if (m.side) hatch(ctx, x1, m.side === "below" ? at : b.top, x2, m.side === "below" ? bottom : at, 8 * px, css("--hatch"), 0.8 * px);
            ctx.globalAlpha = 1;
            ctx.strokeStyle = css("--ink");
            ctx.lineWidth = 2 * px;
            ctx.setLineDash([9 * px, 4 * px]);
            ctx.beginPath();
            ctx.moveTo(x1, at);
            ctx.lineTo(x2, at);
            ctx.stroke();
            ctx.setLineDash([]);
            if (words.has(m.label)) continue;
            words.add(m.label);
            const above = at > b.top + 22 * px;
            ctx.font = "600 " + 13 * px + "px system-ui, sans-serif";
            const room = b.width - 12 * px, text = ctx.measureText(m.label).width <= room ? m.label : m.label.replace(/ \(.*?\)/, "");
            label(ctx, px, text, Math.max(b.left + 6 * px, Math.min(x1 + 6 * px, right - ctx.measureText(text).width - 6 * px)), at + (above ? -18 : 5) * px);
          }
        }
      });
    }

    function label(ctx, px, text, x, y) {
      ctx.font = "600 " + 13 * px + "px system-ui, sans-serif";
      ctx.textAlign = "left";
      ctx.textBaseline = "top";
      ctx.lineWidth = 4 * px;
      ctx.strokeStyle = css("--leaf");
      ctx.fillStyle = css("--ink");
      ctx.strokeText(text, x, y);
      ctx.fillText(text, x, y);
    }

    function over(me, u) {
      if (!me.group) return;
      clipped(u, (ctx, b, px, x, y) => { // a reading alone between two gaps is a dot
        me.group.forEach((g, i) => {
          const l = g.now;
          ctx.fillStyle = css("--line-" + (i + 1));
          for (let k = place0(l.t, from); k < l.t.length && l.t[k] <= to; k++) {
            if (l.y[k] === null || k > 0 && l.y[k - 1] !== null || k + 1 < l.t.length && l.y[k + 1] !== null) continue;
            ctx.beginPath();
            ctx.arc(x(l.t[k]), y(l.y[k]), 2.4 * px, 0, 7);
            ctx.fill();
          }
        });
      });
      const ctx = u.ctx, b = u.bbox;
      ctx.setLineDash([]);
      ctx.strokeStyle = css("--ink");
      ctx.lineWidth = 1.2 * (devicePixelRatio || 1);
      ctx.strokeRect(b.left, b.top, b.width, b.height);
      drawing = null;
    }

    // --- steps and flags under the time axis -------------------------------------
    const svg = (name, attributes, ...inside) => {
      const e = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const k of Object.keys(attributes)) e.setAttribute(k, attributes[k]);
      e.append(...inside);
      return e;
    };

    function drawStrip() {
      const all = data ? data.steps.map((s) => ["step", s]).concat(data.flags.map((f) => [f.wakes ? "wake" : "flag", f])) : [];
      const w = width(), left = 54, right = w - 20, tall = 24;
      const x = (ms) => left + (right - left) * (ms - from) / (to - from);
      const lanes = [], drawn = [];
      for (const [kind, bar] of all) {
        const x1 = Math.max(x(bar.from), left), x2 = Math.min(x(bar.open ? Math.max(bar.to, now) : bar.to), right);
        if (x2 < left || x1 > right) continue;
        const whole = bar.n + " " + bar.title, words = 7.4 * whole.length + 8;
        // The words stand in the bar, or behind it where there is room, or are the number only.
        const inside = x2 - x1 >= words, text = inside || x2 + words <= right ? whole : String(bar.n);
        const tx = inside ? x1 + 4 : text === whole || x2 + 20 <= right ? Math.max(x2, x1 + 3) + 4 : x1 - 4 - 8 * text.length;
        const end = Math.max(x2, inside ? x2 : tx + 7.4 * text.length) + 4;
        const begin = Math.min(x1, tx);
        let lane = lanes.findIndex((until) => until <= begin);
        if (lane < 0) lane = lanes.push(0) - 1;
        lanes[lane] = end;
        const y = lane * tall;
        const g = svg("g", { class: ["bar", "bar-" + kind, inside ? "within" : ""].join(" ") },
          svg("rect", { x: x1.toFixed(1), y: y + 4, width: Math.max(3, x2 - x1).toFixed(1), height: tall - 8 }),
          svg("text", { x: tx.toFixed(1), y: y + tall - 8 }, text));
        g.append(svg("title", {}, bar.title));
        drawn.push(g);
      }
      strip.hidden = !drawn.length;
      strip.replaceChildren(svg("svg", { viewBox: "0 0 " + w + " " + Math.max(1, lanes.length) * tall, width: w, height: lanes.length * tall, role: "img", "aria-label": d.strip }, ...drawn));
    }

    // --- reading values -------------------------------------------------------
    let pointing = false, cursor = null; // the moment that is read

    // The curves of all charts are read at the same moment.
    function point(ms) {
      cursor = ms;
      pointing = true;
      for (const c of charts) c.u.setCursor(ms === null ? { left: -10, top: -10 } : { left: c.u.valToPos(ms, "x"), top: 0 });
      pointing = false;
      for (const c of charts) c.tell();
    }

    function read(me) {
      if (me) {
        const left = me.u.cursor.left;
        cursor = left === null || left === undefined || left < 0 ? null : me.u.posToVal(left, "x");
        point(cursor);
        return;
      }
      for (const c of charts) c.tell();
    }

    function nearest(l, ms) {
      const i = place0(l.t, ms);
      let best = -1;
      for (const k of [i - 1, i]) {
        if (k >= 0 && k < l.t.length && (best < 0 || Math.abs(l.t[k] - ms) < Math.abs(l.t[best] - ms))) best = k;
      }
      if (best >= 0 && Math.abs(l.t[best] - ms) < 1 && l.y[best] !== null) return best;
      const gap = (l.gaps || []).some((g) => ms > g.from && ms <= g.to);
      return best < 0 || l.y[best] === null || gap ? -1 : best;
    }

    Chart.prototype.tell = function () {
      if (!this.group) return;
      const rows = [];
      this.group.forEach((g, i) => {
        for (const l of [g.now, g.then]) {
          if (!l) continue;
          const end = cursor === null ? Math.min(to, now) : cursor, k = nearest(l, end);
          const then = l !== g.now;
          if (then && cursor === null) continue;
          const row = document.createElement("li");
          row.append(swatch(i, then));
          const name = document.createElement("strong");
          name.textContent = l.point + (then ? ", " + d.earlier : "");
          row.append(name, " ");
          let text = k < 0 ? d.gap : said(l, l.y[k]);
          if (k >= 0 && cursor !== null && l.low[k] !== l.high[k]) text += ", " + number(l.low[k], l.digits) + " – " + number(l.high[k], l.digits);
          row.append(text);
          rows.push(row);
        }
      });
      this.legend.replaceChildren(...rows);
      this.time.textContent = cursor === null ? "" : local(cursor).replace("T", " ");
    };

    function swatch(i, then) {
      const line = svg("line", { x1: 0, y1: 6, x2: 36, y2: 6, class: "line-" + (i + 1) });
      const dash = then ? [5, 5] : dashes[i];
      if (dash.length) line.setAttribute("stroke-dasharray", dash.join(" "));
      if (then) line.setAttribute("stroke-width", "1.2");
      return svg("svg", { class: "swatch", width: 36, height: 12, viewBox: "0 0 36 12", "aria-hidden": "true" }, line);
    }

    // --- moving ----------------------------------------------------------------
    let frame = 0;
    function go(a, b, delay) {
      let span = Math.min(Math.max(b - a, least), most);
      if (b > now) { b = now; a = b - span; }
      from = a;
      to = a + span;
      live = slide = to >= now - 500;
      if (!frame) frame = requestAnimationFrame(() => { frame = 0; redraw(); });
      soon(delay === undefined ? 200 : delay);
    }
    const pan = (share) => go(from + share * (to - from), to + share * (to - from));
    function zoom(by, around) {
      const span = Math.min(Math.max((to - from) * by, least), most);
      const at = around === undefined ? (live ? to : (from + to) / 2) : around, share = (at - from) / (to - from);
      go(at - share * span, at + (1 - share) * span);
    }
    const moves = { earlier: () => pan(-0.5), later: () => pan(0.5), closer: () => zoom(0.5, cursor === null ? undefined : cursor), wider: () => zoom(2, cursor === null ? undefined : cursor) };

    // One finger moves through the time, two come closer; a tap reads. A mouse drags; a
    // wheel zooms where the chart has been clicked or Ctrl is held, else the page scrolls.
    function hands(me) {
      const over = me.u.over, fingers = new Map();
      let start = null, moved = false;
      const at = (e) => e.clientX - over.getBoundingClientRect().left;
      const time = (left) => from + (to - from) * left / over.clientWidth;
      function grip() {
        const xs = Array.from(fingers.values());
        start = { from, to, x: xs.reduce((a, b) => a + b, 0) / xs.length, wide: xs.length > 1 ? Math.abs(xs[0] - xs[1]) : 0 };
      }
      over.addEventListener("pointerdown", (e) => {
        if (e.button) return;
        fingers.set(e.pointerId, at(e));
        over.setPointerCapture(e.pointerId);
        moved = fingers.size > 1;
        held = true;
        grip();
      });
      over.addEventListener("pointermove", (e) => {
        if (!fingers.has(e.pointerId)) return;
        fingers.set(e.pointerId, at(e));
        const xs = Array.from(fingers.values()), x = xs.reduce((a, b) => a + b, 0) / xs.length;
        if (!moved && Math.abs(x - start.x) < 8) return;
        moved = true;
        const by = start.wide > 10 && xs.length > 1 ? start.wide / Math.max(10, Math.abs(xs[0] - xs[1])) : 1;
        const span = Math.min(Math.max((start.to - start.from) * by, least), most);
        const under = start.from + (start.to - start.from) * start.x / over.clientWidth; // the moment between the fingers stays there
        go(under - span * x / over.clientWidth, under + span * (1 - x / over.clientWidth));
      });
      const end = (e) => {
        if (!fingers.delete(e.pointerId)) return;
        held = fingers.size > 0;
        if (held) { grip(); return; }
        if (!moved && e.type === "pointerup") point(time(at(e)));
      };
      over.addEventListener("pointerup", end);
      over.addEventListener("pointercancel", end);
      over.addEventListener("dblclick", (e) => zoom(0.5, time(at(e))));
      over.addEventListener("wheel", (e) => {
        const sideways = Math.abs(e.deltaX) > Math.abs(e.deltaY) || e.shiftKey;
        if (!sideways && !e.ctrlKey && !me.sheet.matches(":focus-within")) return;
        e.preventDefault();
        const much = Math.max(-200, Math.min(200, (e.deltaX || e.deltaY) * (e.deltaMode ? 24 : 1)));
        if (sideways) pan(much / 600);
        else zoom(Math.pow(1.0025, much), time(at(e)));
      }, { passive: false });
    }

    function keys(me, e) {
      if (e.ctrlKey || e.altKey || e.metaKey) return;
      const sign = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
      const t = me.group[0].now.t;
      if (sign && e.shiftKey) pan(sign / 8);
      else if (sign || e.key === "Home" || e.key === "End") {
        const first = place0(t, from), last = place0(t, to + 1) - 1;
        if (last < first) return;
        let i = last;
        if (e.key === "Home") i = first;
        else if (sign && cursor !== null) {
          i = place0(t, cursor - 0.5);
          if (i >= t.length || Math.abs(t[i] - cursor) > 0.5) i = sign > 0 ? i : i - 1;
          else i += sign;
          while (i > first && i < last && me.group[0].now.y[i] === null) i += sign;
        }
        point(t[Math.min(Math.max(i, first), last)]);
      } else if (e.key === "+" || e.key === "=") moves.closer();
      else if (e.key === "-") moves.wider();
      else if (e.key === "Escape") point(null);
      else return;
      e.preventDefault();
    }

    document.addEventListener("click", (e) => {
      const a = e.target.closest && e.target.closest("a[data-move], a[data-from], a[data-choose]");
      if (!a || e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
      e.preventDefault();
      if (a.dataset.move) { moves[a.dataset.move](); return; }
      if (a.dataset.choose) { choose(a.dataset.choose.split(",")); return; }
      cursor = null;
      live = !+a.dataset.to;
      slide = !!a.dataset.span;
      to = live ? now : +a.dataset.to;
      from = slide ? now - a.dataset.span : +a.dataset.from;
      redraw();
      load();
    });

    // --- what is chosen ----------------------------------------------------------
    function choose(names) {
      for (const box of form.querySelectorAll("input[name=points]")) box.checked = names.includes(box.value);
      chosen();
    }
    function chosen(e) {
      const on = Array.from(form.querySelectorAll("input[name=points]:checked"), (b) => b.value);
      if (on.length > +d.most) {
        if (e) e.target.checked = false;
        trouble.textContent = d.many;
        return;
      }
      points = points.filter((p) => on.includes(p)).concat(on.filter((p) => !points.includes(p)));
      const summary = document.querySelector("#trace-points > summary");
      summary.textContent = summary.textContent.replace(/\d+/, points.length);
      point(null);
      load();
    }
    form.addEventListener("change", (e) => {
      if (e.target.name === "points") chosen(e);
      if (e.target.name === "beside") {
        const o = e.target;
        shift = !o.value ? 0 : o.selectedIndex === 1 ? 86400e3 : from - o.value;
        load();
      }
    });

    // How every point went, small, beside its name.
    const list = document.getElementById("trace-points");
    let outlined = "";
    async function outlines() {
      const q = "from=" + Math.round(from) + "&to=" + Math.round(to);
      if (!list.open || q === outlined) return;
      outlined = q;
      try {
        const r = await fetch("/trace/outlines?" + q);
        if (!r.ok) return;
        const by = new Map((await r.json()).points.map((p) => [p.point, p]));
        document.getElementById("trace-outlined").hidden = false;
        for (const place of list.querySelectorAll("[data-outline]")) {
          const p = by.get(place.dataset.outline);
          if (p) outline(place, p);
        }
      } catch (e) { /* the figures' own line says that the box is lost */ }
    }
    function outline(place, p) {
      const n = p.low.length, bars = [];
      for (let i = 0; i < n; i++) {
        if (p.low[i] < 0) continue;
        bars.push("M" + i + " " + (29 - p.high[i] * 0.28).toFixed(1) + "V" + (30 - p.low[i] * 0.28).toFixed(1));
      }
      place.replaceChildren(svg("svg", { viewBox: "-1 0 " + (n + 1) + " 32", width: n + 1, height: 32, "aria-hidden": "true" }, svg("path", { d: bars.join("") })), p.range);
    }
    list.addEventListener("toggle", outlines);
    if (list.open) outlines();

    // --- time goes on --------------------------------------------------------------
    document.addEventListener("renewed", (e) => {
      now = Math.max(now, e.detail);
      const pixel = (to - from) / width();
      if (!live || held || loading || document.hidden || cursor !== null || now - to < pixel || Date.now() - asked < 2000) return;
      if (slide) from += now - to;
      to = now;
      load();
    });
    let wide = width();
    new ResizeObserver(() => {
      if (width() === wide) return;
      wide = width();
      for (const c of charts) c.resize();
      drawStrip();
    }).observe(place);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { for (const c of charts) c.u.redraw(false); });
    load();
  }
})();
