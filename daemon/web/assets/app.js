// The page's live part: one stream that renews what the server rendered, and
// the curves. Everything works without it; it only saves reloading.
"use strict";
(function () {
  const body = document.body;
  const sizes = [86400, 3600, 60, 1];

  function span(seconds) {
    const i = sizes.findIndex((size) => seconds >= size || size === 1);
    return Math.floor(seconds / sizes[i]) + " " + body.dataset.units.split(" ")[i];
  }

  // --- the stream ---------------------------------------------------------
  let stream = null;
  let heard = Date.now(); // when the last event came, by this device's clock
  let spoke = heard; // when the box itself last said something; heard is set on when a page is shown again
  let clock = body.dataset.clock; // and by the box's
  let renewed = () => {};

  function busy(part) {
    // Never take a form away from under somebody's fingers, nor while it is about to be sent.
    if (asking && part.contains(asking)) return true;
    const a = document.activeElement;
    if (a && part.contains(a) && /^(INPUT|SELECT|TEXTAREA)$/.test(a.tagName)) return true;
    return Array.from(part.querySelectorAll("input:not([type=hidden]), textarea"))
      .some((i) => i.value !== i.defaultValue);
  }

  function renew(name, html) {
    for (const part of document.querySelectorAll('[data-live="' + name + '"]')) {
      if (busy(part)) continue;
      const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
      const open = new Set(Array.from(part.querySelectorAll("details"), (d, i) => (d.open ? i : -1)));
      part.innerHTML = html;
      part.querySelectorAll("details").forEach((d, i) => { if (open.has(i)) d.open = true; });
      if (focused) {
        const again = document.getElementById(focused);
        if (again) again.focus();
      }
    }
  }

  function listen() {
    if (stream || !body.dataset.stream || document.hidden) return;
    const svg = body.classList.contains("has-uplot") ? "" : "&svg=1";
    stream = new EventSource(body.dataset.stream + svg);
    stream.onmessage = (e) => {
      const u = JSON.parse(e.data);
      heard = spoke = Date.now();
      clock = u.clock;
      found();
      for (const name of Object.keys(u.parts || {})) renew(name, u.parts[name]);
      renewed(u.now);
      document.dispatchEvent(new CustomEvent("renewed", { detail: u.now }));
    };
    stream.onerror = () => {
      // The browser tries again by itself, unless it was refused.
      if (stream && stream.readyState === EventSource.CLOSED) {
        stream = null;
        refused();
        setTimeout(listen, 5000);
      }
    };
  }

  // A refused stream does not say why; asking for it by hand does.
  async function refused() {
    const leave = new AbortController();
    try {
      const r = await fetch(body.dataset.stream, { signal: leave.signal });
      if (r.status === 401) return location.reload(); // the session has ended: to the door
      if (r.status !== 503) return;
      body.classList.add("lostbox", "full");
      tell(body.dataset.full);
      redraw();
    } catch (e) { // no box: the page will say that it is lost
    } finally { leave.abort(); }
  }

  function silent() {
    if (stream) stream.close();
    stream = null;
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) silent();
    else { heard = Math.max(heard, Date.now() - 2000); listen(); }
  });
  window.addEventListener("pagehide", silent);
  window.addEventListener("pageshow", listen);

  // --- what has just been recorded is said once -----------------------------
  // It would stand over what comes after it, and "you have it" over a flag that
  // nobody has; and its address, kept or read anew, would say it again.
  const done = document.querySelector(".done");
  if (done) {
    const here = new URL(location);
    here.searchParams.delete("done");
    history.replaceState(history.state, "", here);
    setTimeout(() => done.remove(), 20000);
  }

  // --- a form is not sent into the void -------------------------------------
  // A browser that does not reach the box puts a page of its own in the form's
  // place, and what was typed is gone: so the box is asked first whether it is there.
  // An old one that cannot ask sends it as it is.
  const asks = window.AbortSignal && AbortSignal.timeout && HTMLFormElement.prototype.requestSubmit;
  let sure = false, asking = null; // the form that is about to be sent
  const there = () => fetch(document.querySelector('link[rel="icon"]').href, { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(8000) });
  document.addEventListener("submit", async (e) => {
    if (!asks || sure || e.defaultPrevented || e.target.method !== "post") return;
    e.preventDefault();
    if (asking) return; // a second tap
    asking = e.target;
    const by = e.submitter;
    try {
      await there();
    } catch (none) {
      unsent = true;
      lost.setAttribute("aria-live", "assertive");
      tell(body.dataset.unsent);
      return;
    } finally { asking = null; }
    unsent = false;
    sure = true;
    e.target.requestSubmit(by);
    sure = false;
    if ([...e.target.querySelectorAll("input[type=file]")].some((f) => f.files.length)) sending(e.target);
  });

  // A large file takes minutes over a site's network, in which a page looks dead and is
  // tapped again, which begins the file anew.
  function sending(form) {
    const word = document.createElement("p");
    word.className = "sending";
    word.setAttribute("role", "status");
    word.textContent = body.dataset.sending;
    for (const old of form.querySelectorAll(".sending")) old.remove();
    form.append(word);
    word.scrollIntoView({ block: "nearest" });
  }
  window.addEventListener("pageshow", () => { for (const old of document.querySelectorAll(".sending")) old.remove(); });

  // Nor is a page left that no other can take the place of. While the box is heard
  // each second a tap goes at once; a box lost less than that long ago is not noticed.
  let going = false, stays = 0; // until when its word is to be read
  document.addEventListener("click", async (e) => {
    const a = e.target.closest("a[href]");
    if (!asks || !a || e.defaultPrevented || e.button || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey || a.target || a.hasAttribute("download")) return;
    const to = new URL(a.href);
    if (to.origin !== location.origin || to.hash && to.pathname + to.search === location.pathname + location.search) return;
    if (stream && Date.now() - spoke < 3000) return;
    e.preventDefault();
    if (going) return;
    going = true;
    try {
      await there();
      location.assign(a.href);
    } catch (none) {
      lost.setAttribute("aria-live", "assertive");
      tell(unsent ? body.dataset.unsent : body.dataset.unopened);
      stays = Date.now() + 10000;
    } finally { going = false; }
  });

  // --- a page that has lost the box says so -------------------------------
  const lost = document.getElementById("lost");
  let unsent = false; // a form still waits to be sent: nothing may be said in that word's place

  function tell(text) {
    if (lost.textContent === text) return; // nor read aloud again
    lost.hidden = !text;
    lost.textContent = text;
  }

  function found() {
    if (unsent) tell(body.dataset.unsentAgain);
    else if (stays) tell("");
    stays = 0;
    if (!body.classList.contains("lostbox")) return;
    body.classList.remove("lostbox", "full");
    if (!unsent) tell("");
    redraw();
  }

  // A page without a stream hears nothing of the box: while a form of it waits, it asks.
  let calling = false;
  async function call() {
    if (!unsent || calling || asking || body.dataset.stream || document.hidden) return;
    calling = true;
    try {
      await there();
      if (unsent) { tell(body.dataset.unsentAgain); unsent = false; }
    } catch (none) { // still away
    } finally { calling = false; }
  }
  if (!body.dataset.stream) setInterval(call, 3000);

  function watch() {
    const age = Math.floor((Date.now() - heard) / 1000);
    if (!body.dataset.stream || document.hidden || age < 6 || body.classList.contains("full")) return;
    const first = !body.classList.contains("lostbox");
    body.classList.add("lostbox");
    const text = body.dataset.lost.replace("{clock}", clock).replace("{age}", span(age));
    // A network that went away without a word leaves a stream that looks open
    // and stays silent: ask anew.
    if (age % 10 === 0) { silent(); listen(); }
    // Said aloud once; its age then grows in silence.
    if (Date.now() < stays) return;
    if (!unsent) {
      lost.setAttribute("aria-live", first ? "assertive" : "off");
      tell(text);
    } else if (first) tell(body.dataset.unsent);
    if (first || age % 10 === 0) redraw();
  }
  setInterval(watch, 1000);

  // --- curves -------------------------------------------------------------
  const sheets = [];
  function redraw() { for (const s of sheets) s.plot && s.plot.redraw(false); }

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  // Whether the straight line between two places runs through a box.
  function crossed(box, x1, y1, x2, y2) {
    let from = 0, to = 1; // the share of it that lies within the sides looked at so far
    for (const [d, room] of [[x1 - x2, x1 - box.left], [x2 - x1, box.right - x1], [y1 - y2, y1 - box.top], [y2 - y1, box.bottom - y1]]) {
      if (d === 0 && room <= 0) return false;
      if (d < 0) from = Math.max(from, room / d);
      if (d > 0) to = Math.min(to, room / d);
    }
    return from < to;
  }

  function hatch(ctx, x1, y1, x2, y2, gap, colour, width, falling) {
    if (x2 - x1 < 1 || y2 - y1 < 1) return;
    ctx.save();
    ctx.beginPath();
    ctx.rect(x1, y1, x2 - x1, y2 - y1);
    ctx.clip();
    ctx.strokeStyle = colour;
    ctx.lineWidth = width;
    ctx.beginPath();
    for (let s = x1 - (y2 - y1); s < x2; s += gap) {
      ctx.moveTo(s, falling ? y1 : y2);
      ctx.lineTo(s + (y2 - y1), falling ? y2 : y1);
    }
    ctx.stroke();
    ctx.restore();
  }

  window.drawing = { css, hatch }; // for the page Trace

  class Sheet {
    constructor(place) {
      this.place = place;
      this.title = document.createElement("p");
      this.title.className = "curve-title";
      this.readout = document.createElement("output");
      this.readout.className = "readout";
      this.readout.textContent = body.dataset.read;
      place.tabIndex = 0;
      place.setAttribute("role", "group");
      place.append(this.title, this.readout);
      this.asked = 0;
      this.fetching = false;
      place.addEventListener("keydown", (e) => this.key(e));
      new ResizeObserver(() => this.resize()).observe(place);
      this.look();
    }

    // Which curve to show: the place's own, or the one that the renewed part
    // of the page names (another step may have become the most urgent one).
    look() {
      const from = this.place.dataset.curveFrom;
      const is = from ? document.getElementById(from) : this.place;
      const url = (is && (is.dataset.url || is.dataset.curve)) || "";
      if (url === this.url) return;
      this.url = url;
      this.chart = null;
      if (this.plot) { this.plot.destroy(); this.plot = null; }
      this.place.hidden = !url;
      if (!url) return;
      this.place.setAttribute("aria-label", is.dataset.title);
      this.title.textContent = is.dataset.title;
      this.load();
    }

    async load() {
      if (this.fetching || !this.url) return;
      this.fetching = true;
      const url = this.url;
      this.asked = Date.now();
      try {
        const r = await fetch(url + "&most=600", { headers: { Accept: "application/json" } });
        const chart = r.ok ? await r.json() : null;
        if (url === this.url) this.draw(chart);
      } catch (e) { // the stream will say that the box is lost
      } finally {
        this.fetching = false;
        if (url !== this.url) this.load();
      }
    }

    // A curve is fetched anew when it would have moved by a pixel or so.
    due(now) {
      if (!this.chart) return Date.now() - this.asked > 2000;
      const pixel = (this.chart.to - this.chart.from) / 400;
      return Date.now() - this.asked > 1000 && now - this.chart.now >= pixel;
    }

    size() {
      const w = Math.max(240, Math.floor(this.place.clientWidth));
      return { width: w, height: w > 560 ? 380 : 280 };
    }

    resize() {
      if (!this.plot) return;
      const s = this.size();
      if (s.width !== this.plot.width) this.plot.setSize(s);
    }

    draw(c) {
      if (!c) return;
      const same = this.chart && this.chart.unit === c.unit && this.chart.log === c.log;
      this.chart = c;
      this.title.textContent = c.title;
      this.tabulate();
      const data = [c.times.map((t) => t / 1000), c.y];
      if (this.plot && same) { this.plot.setData(data); return; }
      if (this.plot) this.plot.destroy();
      this.plot = new uPlot(this.options(), data, this.place);
      this.title.after(this.plot.root);
      this.touch();
    }

    options() {
      const me = this, font = "13px system-ui, sans-serif";
      const axis = { stroke: () => css("--soft"), font, grid: { stroke: () => css("--rule"), width: 1 }, ticks: { show: false } };
      return Object.assign(me.size(), {
        legend: { show: false },
        cursor: { y: false, drag: { x: false, y: false }, points: { size: 12, fill: () => css("--ink") } },
        padding: [8, 20, 26, 0],
        scales: {
          x: { time: true, range: () => [me.chart.from / 1000, me.chart.to / 1000] },
          y: { distr: me.chart.log ? 3 : 1, log: 10, range: () => [me.chart.low, me.chart.high] },
        },
        axes: [
          Object.assign({}, axis, {
            size: 26,
            splits: () => me.chart.timeTicks.map((t) => t.at / 1000),
            values: () => me.chart.timeTicks.map((t) => t.label),
          }),
          Object.assign({}, axis, {
            size: (u, labels) => { // room for the longest
              u.ctx.font = 13 * (devicePixelRatio || 1) + "px system-ui, sans-serif";
              const wide = Math.max(0, ...(labels || []).map((l) => u.ctx.measureText(l).width));
              return Math.max(54, Math.ceil(wide / (devicePixelRatio || 1)) + 12);
            },
            splits: () => me.chart.valueTicks.map((t) => t.at),
            values: () => me.chart.valueTicks.map((t) => t.label),
            filter: (u, s) => s,
          }),
        ],
        series: [{}, { stroke: () => css("--ink"), width: 2.2, spanGaps: false, points: { show: false } }],
        hooks: { drawAxes: [(u) => me.under(u)], draw: [(u) => me.over(u)], setCursor: [(u) => me.read(u)] },
      });
    }

    // The table for screen readers goes along with the curve.
    tabulate() {
      const rows = document.querySelector("[data-table] tbody");
      if (!rows) return;
      const texts = this.chart.text.filter((t) => t);
      const every = Math.max(1, Math.ceil(texts.length / 24));
      rows.replaceChildren(...texts.filter((t, i) => i % every === 0 || i === texts.length - 1).map((t) => {
        const row = document.createElement("tr");
        for (const cell of t.split("  ")) row.insertCell().textContent = cell;
        return row;
      }));
    }

    at(u, v) { return u.valToPos(Math.min(Math.max(v, this.chart.low), this.chart.high), "y", true); }

    // What lies under the curve: the forbidden side, the spread, the projection.
    under(u) {
      const c = this.chart, ctx = u.ctx, b = u.bbox, px = devicePixelRatio || 1;
      const x = (ms) => Math.min(Math.max(u.valToPos(ms / 1000, "x", true), b.left), b.left + b.width);
      ctx.save();
      this.taken = []; // by words
      if (c.limit) this.limit(u, ctx, b, px);
      if (c.yLow && c.yHigh) {
        ctx.fillStyle = css("--ink");
        ctx.globalAlpha = 0.14;
        for (let i = 0; i < c.y.length;) {
          if (c.y[i] === null) { i++; continue; }
          let j = i;
          ctx.beginPath();
          for (; j < c.y.length && c.y[j] !== null; j++) ctx.lineTo(x(c.times[j]), this.at(u, c.yHigh[j]));
          for (let k = j - 1; k >= i; k--) ctx.lineTo(x(c.times[k]), this.at(u, c.yLow[k]));
          ctx.fill();
          i = j;
        }
        ctx.globalAlpha = 1;
      }
      const t = c.trend || [];
      if (t.length > 1) {
        ctx.fillStyle = ctx.strokeStyle = css("--model");
        ctx.globalAlpha = 0.16;
        ctx.beginPath();
        for (const p of t) ctx.lineTo(x(p.ms), this.at(u, p.high));
        for (const p of t.slice().reverse()) ctx.lineTo(x(p.ms), this.at(u, p.low));
        ctx.fill();
        ctx.globalAlpha = 1;
        ctx.lineWidth = 1.4 * px;
        ctx.setLineDash([2 * px, 3 * px]);
        ctx.beginPath();
        for (const p of t) ctx.lineTo(x(p.ms), this.at(u, p.best));
        ctx.stroke();
      }
      ctx.setLineDash([]);
      for (const l of c.lines || []) this.side(u, ctx, b, px, l);
      ctx.restore();
    }

    // Another line to compare with, with its doubt, and named.
    side(u, ctx, b, px, l) {
      const c = this.chart, on = l.y.map((v, i) => i).filter((i) => l.y[i] >= c.low && l.y[i] <= c.high);
      if (on.length < 2) return;
      const x = (i) => u.valToPos(l.times[i] / 1000, "x", true);
      if (l.low) {
        ctx.fillStyle = css("--model");
        ctx.globalAlpha = 0.16;
        ctx.beginPath();
        for (const i of on) ctx.lineTo(x(i), this.at(u, l.high[i]));
        for (const i of on.slice().reverse()) ctx.lineTo(x(i), this.at(u, l.low[i]));
        ctx.fill();
        ctx.globalAlpha = 1;
      }
      ctx.strokeStyle = css("--soft");
      ctx.lineWidth = 1.6 * px;
      ctx.setLineDash([12 * px, 3 * px, 2 * px, 3 * px]);
      ctx.beginPath();
      for (const i of on) ctx.lineTo(x(i), this.at(u, l.y[i]));
      ctx.stroke();
      ctx.setLineDash([]);
      const height = (to) => {
        let k = 1;
        while (k < on.length - 1 && x(on[k]) < to) k++;
        const a = on[k - 1], b = on[k], share = Math.min(Math.max((to - x(a)) / Math.max(x(b) - x(a), 1), 0), 1);
        return this.at(u, l.y[a]) + share * (this.at(u, l.y[b]) - this.at(u, l.y[a]));
      };
      if (l.label) this.beside(u, ctx, b, px, l.label.split("\n").map((line) => [line, "--soft", "400"]), x(on[0]), x(on[on.length - 1]), height, true);
    }

    // Lines of words beside a line from x1 to x2, whose height at an x is at: where
    // least of the curve runs, and no other words; above it first or below it first,
    // and at its right end rather than elsewhere.
    beside(u, ctx, b, px, lines, x1, x2, at, above) {
      const c = this.chart, right = b.left + b.width, bottom = b.top + b.height, n = c.times.length;
      const width = (7 * Math.max(...lines.map((l) => l[0].length)) + 10) * px, height = (16 * lines.length + 8) * px;
      const time = (ms) => u.valToPos(ms / 1000, "x", true), [from, to] = this.noData(u, px, right);
      x1 = Math.min(x1, right - width);
      x2 = Math.max(x2, b.left + width);
      let fewest = Infinity, best = null;
      for (const up of [above, !above]) {
        for (const share of [1, 0, 0.75, 0.5, 0.25]) {
          const left = x1 + share * (x2 - width - x1), ends = [at(left), at(left + width / 2), at(left + width)];
          const top = up ? Math.min(...ends) - height : Math.max(...ends);
          const box = { left, top, right: left + width, bottom: top + height, end: share === 1 };
          let way = top < b.top || box.bottom > bottom ? 2 * n : 0;
          if (left < to && from < box.right) way += 1 + Math.floor(n / 2);
          for (const o of this.taken) { // the more of it lies on other words, the worse
            const wide = Math.min(box.right, o.right) - Math.max(left, o.left), tall = Math.min(box.bottom, o.bottom) - Math.max(top, o.top);
            if (wide > 0 && tall > 0) way += 1 + Math.floor(4 * n * wide * tall / (width * height));
          }
          c.y.forEach((v, i) => {
            if (v === null) return;
            const k = i > 0 && c.y[i - 1] !== null ? i - 1 : i;
            const y1 = this.at(u, c.y[k]), y2 = this.at(u, v); // a steep piece strikes out as many words as a flat stretch of its length
            if (crossed(box, time(c.times[k]), y1, time(c.times[i]), y2)) way += 1 + Math.floor(n * (Math.min(Math.max(y1, y2), box.bottom) - Math.max(Math.min(y1, y2), box.top)) / b.width);
          });
          for (const e of c.events || []) { // a flag on the curve
            if (e.at === undefined) continue;
            const x = time(e.ms), y = this.at(u, e.at);
            if (x - 9 * px < box.right && left < x + 9 * px && y - 20 * px < box.bottom && top < y) way += 1 + Math.floor(n / 4);
          }
          for (const p of c.trend || []) {
            const x = time(p.ms);
            if (x > left && x < box.right && this.at(u, p.high) < box.bottom && this.at(u, p.low) > top) way++;
          }
          if (way < fewest) { fewest = way; best = box; }
        }
      }
      this.taken.push(best);
      lines.forEach(([text, colour, weight], i) => this.words(ctx, px, text, best.end ? best.right - 5 * px : best.left + 5 * px,
        best.top + (16 * i + 5) * px, colour, weight, best.end ? "right" : "left"));
    }

    // The strip in which time went on and the data did not; empty where they did.
    noData(u, px, right) {
      const c = this.chart, lost = body.classList.contains("lostbox");
      if (!c.stale && !lost) return [0, 0];
      const from = u.valToPos((c.stale || c.now) / 1000, "x", true);
      return [from, Math.min(right, Math.max(from + 16 * px, u.valToPos((c.now + (lost ? Date.now() - heard : 0)) / 1000, "x", true)))];
    }

    // Words on the paper, legible over lines; they end at x, or begin there.
    words(ctx, px, text, x, y, colour, weight, align) {
      ctx.font = weight + " " + 13 * px + "px system-ui, sans-serif";
      ctx.textAlign = align || "right";
      ctx.textBaseline = "top";
      ctx.lineWidth = 4 * px;
      ctx.strokeStyle = css("--leaf");
      ctx.fillStyle = css(colour);
      ctx.strokeText(text, x, y);
      ctx.fillText(text, x, y);
    }

    // The limit with its name and source, its forbidden side hatched.
    limit(u, ctx, b, px) {
      const l = this.chart.limit, y = this.at(u, l.at);
      const right = b.left + b.width, bottom = b.top + b.height;
      ctx.globalAlpha = 0.6;
      const below = l.side === "below";
      if (l.side) hatch(ctx, b.left, below ? y : b.top, right, below ? bottom : y, 8 * px, css("--hatch"), 0.8 * px);
      ctx.globalAlpha = 1;
      ctx.strokeStyle = css("--ink");
      ctx.lineWidth = 2 * px;
      ctx.setLineDash([9 * px, 4 * px]);
      ctx.beginPath();
      ctx.moveTo(b.left, y);
      ctx.lineTo(right, y);
      ctx.stroke();
      ctx.setLineDash([]);
      this.beside(u, ctx, b, px, [[l.label, "--ink", "600"], ...l.source.map((line) => [line, "--soft", "400"])], b.left, right, () => y, l.side === "above");
    }

    // What lies over it: old data, ticks of events.
    over(u) {
      const c = this.chart, ctx = u.ctx, b = u.bbox, px = devicePixelRatio || 1;
      const right = b.left + b.width, bottom = b.top + b.height;
      ctx.save();
      ctx.strokeStyle = ctx.fillStyle = css("--ink");
      ctx.lineWidth = 1.2 * px;
      ctx.strokeRect(b.left, b.top, b.width, b.height);
      const [from, to] = this.noData(u, px, right);
      if (to > from) {
        ctx.globalAlpha = 0.7;
        hatch(ctx, Math.max(from, b.left), b.top, to, bottom, 6 * px, css("--ink"), 1.2 * px, true);
        ctx.globalAlpha = 1;
      }
      ctx.font = "600 " + 13 * px + "px system-ui, sans-serif";
      ctx.textBaseline = "middle";
      for (const s of c.strays || []) { // far off and gone again: marked at the edge
        const x = u.valToPos(s.ms / 1000, "x", true), y = s.up ? b.top : bottom, back = (s.up ? 7 : -7) * px;
        ctx.beginPath();
        ctx.moveTo(x, y); ctx.lineTo(x - 5 * px, y + back); ctx.lineTo(x + 5 * px, y + back);
        ctx.fill();
        const left = x > b.left + b.width / 2;
        ctx.textAlign = left ? "right" : "left";
        ctx.fillText(s.text, x + (left ? -8 : 8) * px, y + back * 1.2);
      }
      ctx.textAlign = "center";
      ctx.textBaseline = "top";
      const events = c.events || [], place = (e) => u.valToPos(e.ms / 1000, "x", true);
      for (const e of events) {
        const x = place(e), y = bottom + 24 * px;
        ctx.beginPath();
        ctx.moveTo(x, y); ctx.lineTo(x - 4 * px, y + 7 * px); ctx.lineTo(x + 4 * px, y + 7 * px);
        ctx.fill();
        if (e.at !== undefined) this.flag(ctx, px, x, this.at(u, e.at), b, e.kind === "raised");
      }
      // Numbers join until none runs into another.
      const groups = [], label = (g) => ({
        x: (place(events[g.from]) + place(events[g.to])) / 2,
        text: events[g.from].n + (g.to > g.from ? "\u2013" + events[g.to].n : ""),
      });
      events.forEach((e, i) => {
        const g = { from: i, to: i };
        while (groups.length) {
          const a = label(groups[groups.length - 1]), b = label(g);
          if (b.x - a.x >= 4 * px * (a.text.length + b.text.length + 2)) break;
          g.from = groups.pop().from;
        }
        groups.push(g);
      });
      for (const l of groups.map(label)) ctx.fillText(l.text, l.x, bottom + 33 * px);
      ctx.restore();
    }

    // A flag on the curve: filled where it was raised, open where it was cleared.
    flag(ctx, px, x, y, b, raised) {
      const up = y < b.top + 24 * px ? 1 : -1, fly = x > b.left + b.width - 12 * px ? -9 : 9;
      ctx.lineWidth = 1.6 * px;
      ctx.beginPath();
      ctx.moveTo(x, y); ctx.lineTo(x, y + 20 * up * px); ctx.lineTo(x + fly * px, y + 16 * up * px); ctx.lineTo(x, y + 12 * up * px);
      ctx.fillStyle = css(raised ? "--ink" : "--leaf");
      ctx.fill();
      ctx.stroke();
      ctx.fillStyle = css("--ink");
    }

    read(u) {
      const i = u.cursor.idx;
      const text = i === null || i === undefined ? "" : this.chart.text[i];
      this.readout.textContent = text || body.dataset.read;
    }

    key(e) {
      const u = this.plot;
      if (!u || !/^(ArrowLeft|ArrowRight|Home|End)$/.test(e.key)) return;
      e.preventDefault();
      const n = this.chart.times.length;
      if (!n) return;
      let i = u.cursor.idx;
      const far = e.shiftKey ? 10 : 1;
      if (e.key === "Home") i = 0;
      else if (e.key === "End" || i === null || i === undefined) i = n - 1;
      else i = Math.min(Math.max(i + (e.key === "ArrowLeft" ? -far : far), 0), n - 1);
      u.setCursor({ left: u.valToPos(this.chart.times[i] / 1000, "x"), top: 0 });
    }

    touch() {
      const over = this.plot.over;
      const move = (e) => {
        const t = e.touches[0], box = over.getBoundingClientRect();
        this.plot.setCursor({ left: t.clientX - box.left, top: t.clientY - box.top });
      };
      over.addEventListener("touchstart", move, { passive: true });
      over.addEventListener("touchmove", move, { passive: true });
    }
  }

  if (window.uPlot) {
    body.classList.add("has-uplot");
    for (const place of document.querySelectorAll("[data-curve], [data-curve-from]")) sheets.push(new Sheet(place));
    renewed = (now) => { for (const s of sheets) { s.look(); if (s.due(now)) s.load(); } };
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  }
  listen();
})();
