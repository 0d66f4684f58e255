// Draws the charts of a system's page so that one can look into them: a crosshair through all of
// them with the values at its place, and a stretch that is pulled open by dragging. It draws the
// same waterline as the page does without it, from the public API. Without uPlot it does nothing.
"use strict";

// tr says an English text in the language of the page, as far as the page brings it; {1} stands for the first
// of what is put in.
window.tr = (() => {
  const known = JSON.parse(document.body.dataset.words || "{}");
  return (english, ...put) => (known[english] ?? english).replace(/\{(\d)\}/g, (_, n) => put[n - 1]);
})();

(() => {
  const box = document.getElementById("charts");
  if (!box || !window.uPlot || !box.dataset.charts) return;
  const conf = JSON.parse(box.dataset.charts);
  const css = (name) => getComputedStyle(box).getPropertyValue(name).trim();
  const wants = (name) => box.querySelector(`[data-chart="${name}"]`);
  const fixed = (decimals, unit) => (u, v) => (v == null ? "–" : v.toFixed(decimals).replace("-", "\u2212") + unit);
  const zoned = (seconds) => uPlot.tzDate(new Date(seconds * 1e3), conf.zone);
  let charts = [];
  let rows = null, earlier = null;

  const address = (series, by) => {
    const q = new URLSearchParams({ from: new Date(conf.from - by).toISOString(), to: new Date(conf.to - by).toISOString(), step: conf.step_s });
    return series + "&" + q;
  };

  const column = (name) => {
    const c = rows.points[name];
    return c ? c.values : rows.times.map(() => null);
  };

  // excursions fills what lies past a limit, from the limit to the trace.
  const excursions = (u, values, limit, past) => {
    const ctx = u.ctx, x = (i) => u.valToPos(u.data[0][i], "x", true), y = (v) => u.valToPos(v, "y", true);
    const known = (i) => i >= 0 && i < values.length && values[i] != null;
    const cross = (i, j) => x(i) + ((x(j) - x(i)) * (limit - values[i])) / (values[j] - values[i]);
    ctx.beginPath();
    for (let i = 0; i < values.length; i++) {
      if (!known(i) || !past(values[i])) continue;
      ctx.moveTo(known(i - 1) ? cross(i - 1, i) : x(i), y(limit));
      for (; known(i) && past(values[i]); i++) ctx.lineTo(x(i), y(values[i]));
      ctx.lineTo(known(i) ? cross(i - 1, i) : x(i - 1), y(limit));
      ctx.closePath();
    }
    ctx.fill();
  };

  const strip = (u, low, high) => {
    const top = u.bbox.top, bottom = u.bbox.top + u.bbox.height;
    const at = (v) => Math.min(bottom, Math.max(top, u.valToPos(v, "y", true)));
    const a = at(low), b = at(high);
    u.ctx.fillRect(u.bbox.left, Math.min(a, b), u.bbox.width, Math.abs(a - b));
  };

  const hatch = (ctx) => {
    const tile = document.createElement("canvas"), size = 6 * devicePixelRatio, pen = tile.getContext("2d");
    tile.width = tile.height = size;
    pen.strokeStyle = css("--ink");
    pen.lineWidth = devicePixelRatio;
    pen.beginPath();
    for (const shift of [-size, 0, size]) { pen.moveTo(shift, size); pen.lineTo(shift + size, 0); }
    pen.stroke();
    return ctx.createPattern(tile, "repeat");
  };

  // judged leaves out the rows in which the compressor stood still: superheat and subcooling mean
  // nothing then, so what leaves its strip is drawn but not filled.
  const judged = (values) => {
    const on = rows.points.compressor_on;
    return on ? values.map((v, i) => (on.values[i] != null && on.values[i] < 0.5 ? null : v)) : values;
  };

  const far = 1e4;
  const kelvins = (v) => (v == null ? null : v * conf.kelvin.factor);
  const ends = (band) => band.map(kelvins);
  const sides = () => [
    { band: conf.superheat, sign: 1, index: 1, below: tr("wet gas, or wrong sensor") },
    { band: conf.subcooling, sign: -1, index: 2, below: tr("flash gas, or wrong sensor") },
  ];

  // write puts a word over what is drawn, on a margin of paper.
  const write = (ctx, text, x, y, colour = "--ink") => {
    ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
    ctx.lineJoin = "round";
    ctx.setLineDash([]);
    ctx.lineWidth = 3.5 * devicePixelRatio;
    ctx.strokeStyle = css("--paper");
    ctx.strokeText(text, x, y);
    ctx.fillStyle = css(colour);
    ctx.fillText(text, x, y);
  };

  // around names the line at its end, what stands above it and hangs below it, and the strips.
  const around = (u) => {
    const px = devicePixelRatio, { left, top, width, height } = u.bbox, line = u.valToPos(0, "y", true);
    const x = left + width + 6 * px, apart = 17 * px, say = (text, y, colour) => write(u.ctx, text, x, y + 4 * px, colour);
    u.ctx.save();
    u.ctx.textAlign = "left";
    say(tr("superheat ↑"), line - apart, "--quiet");
    say(tr("saturation line"), line, "--ink");
    say(tr("subcooling ↓"), line + apart, "--quiet");
    for (const { band, sign } of sides()) {
      const [low, high] = ends(band);
      if (low == null && high == null) continue;
      const edges = [Math.max(low ?? 0, 0), high ?? far].map((v) => Math.min(top + height, Math.max(top, u.valToPos(sign * v, "y", true))));
      const middle = (edges[0] + edges[1]) / 2;
      if (edges[0] !== edges[1] && Math.abs(middle - line) > 2 * apart) say(tr("expected"), middle, "--quiet");
    }
    u.ctx.restore();
  };

  const under = (u) => {
    u.ctx.save();
    u.ctx.fillStyle = css("--strip");
    for (const { band, sign } of sides()) {
      const [low, high] = ends(band);
      if (low == null && high == null) continue;
      strip(u, sign * Math.max(low ?? 0, 0), sign * (high ?? far));
    }
    u.ctx.restore();
  };

  const over = (u) => {
    const ctx = u.ctx, { left, top, width, height } = u.bbox;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, width, height);
    ctx.clip();
    ctx.fillStyle = css("--fill") || css("--shade");
    ctx.globalAlpha = 0.8;
    for (const { band, sign, index } of sides()) {
      const [low, high] = ends(band);
      const values = judged(u.data[index]);
      if (low != null) excursions(u, values, sign * low, (v) => sign * v < low);
      if (high != null) excursions(u, values, sign * high, (v) => sign * v > high);
    }
    ctx.globalAlpha = 1;
    outline(u);
    // Values below zero lie across the line, hatched: wet gas, flash gas, or a wrong sensor.
    ctx.fillStyle = hatch(ctx);
    for (const { sign, index, below } of sides()) {
      const values = judged(u.data[index]);
      excursions(u, values, 0, (v) => sign * v < 0);
      nameLowest(u, values, sign, below);
    }
    ctx.strokeStyle = css("--ink");
    ctx.lineWidth = 1.5 * devicePixelRatio;
    const line = u.valToPos(0, "y", true);
    ctx.beginPath();
    ctx.moveTo(left, line);
    ctx.lineTo(left + width, line);
    ctx.stroke();
    running(u);
    ctx.restore();
    marks(u);
    around(u);
  };

  // outline draws the span before, moved to this one: a thin line that leaves gaps open.
  const outline = (u) => {
    if (!earlier) return;
    const ctx = u.ctx, half = (conf.step_s * 1e3) / 2;
    ctx.save();
    ctx.strokeStyle = css("--shade");
    ctx.lineWidth = devicePixelRatio;
    for (const [name, sign] of [["superheat", 1], ["subcooling", -1]]) {
      ctx.beginPath();
      let pen = false;
      (earlier.points[name]?.values || []).forEach((v, i) => {
        if (v == null) { pen = false; return; }
        const x = u.valToPos((earlier.at[i] + half) / 1e3, "x", true), y = u.valToPos(sign * v * conf.kelvin.factor, "y", true);
        pen ? ctx.lineTo(x, y) : ctx.moveTo(x, y);
        pen = true;
      });
      ctx.stroke();
    }
    ctx.restore();
  };

  // nameLowest writes beside the lowest value below zero what it means.
  const nameLowest = (u, values, sign, text) => {
    let lowest = -1;
    values.forEach((v, i) => { if (v != null && sign * v < 0 && (lowest < 0 || sign * v < sign * values[lowest])) lowest = i; });
    if (lowest < 0) return;
    const ctx = u.ctx, px = devicePixelRatio, { left, width } = u.bbox;
    ctx.save();
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    const x = u.valToPos(u.data[0][lowest], "x", true), y = u.valToPos(values[lowest], "y", true) + (sign > 0 ? 16 : -8) * px;
    const end = x + 4 * px + ctx.measureText(text).width > left + width;
    ctx.textAlign = end ? "right" : "left";
    write(ctx, text, end ? x - 4 * px : x + 4 * px, y);
    ctx.restore();
  };

  // running marks at the foot of the plot when the compressor ran.
  const running = (u) => {
    const on = rows.points.compressor_on;
    if (!on) return;
    const step = rows.step_s || conf.step_s, height = 3 * devicePixelRatio;
    u.ctx.fillStyle = css("--quiet");
    on.values.forEach((share, i) => {
      if (!share) return;
      const a = u.valToPos(u.data[0][i] - step / 2, "x", true), b = u.valToPos(u.data[0][i] + step / 2, "x", true);
      u.ctx.fillRect(a, u.bbox.top + u.bbox.height - height, (b - a) * Math.min(share, 1), height);
    });
  };

  const marks = (u) => {
    const ctx = u.ctx, { left, top, width, height } = u.bbox, px = devicePixelRatio;
    const ends = [0, 0];
    ctx.save();
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    for (const m of conf.marks) {
      const x = u.valToPos(m.at / 1e3, "x", true);
      if (x < left || x > left + width) continue;
      ctx.strokeStyle = css(m.kind === "alert" ? "--ink" : "--quiet");
      ctx.setLineDash(m.kind === "alert" ? [] : [3 * px, 2 * px]);
      ctx.lineWidth = px;
      ctx.beginPath();
      ctx.moveTo(x, top);
      ctx.lineTo(x, top + height);
      ctx.stroke();
      const wide = ctx.measureText(m.word).width;
      let at = x + 4 * px;
      if (at + wide > left + width) at = x - 4 * px - wide;
      const row = ends.findIndex((end) => at >= end);
      if (row < 0) continue;
      ends[row] = at + wide + 8 * px;
      write(ctx, m.word, at, top - (20 - 14 * row) * px + 12 * px - 2 * px, "--quiet");
    }
    ctx.restore();
  };

  const axis = (over) => ({
    stroke: () => css("--quiet"), font: "12px system-ui, sans-serif",
    grid: { stroke: () => css("--rule"), width: 1 }, ticks: { show: false }, ...over,
  });

  const pulled = (u) => {
    const { left, width } = u.select;
    if (width < 8) return;
    const from = u.posToVal(left, "x") * 1e3, to = u.posToVal(left + width, "x") * 1e3;
    if (to - from < 5 * 60e3) return;
    const iso = (t) => new Date(t).toISOString().replace(/\.\d+Z/, "Z");
    location.assign(`${conf.page}?from=${iso(from)}&to=${iso(to)}`);
  };

  const draw = (name, height, series, data, more) => {
    const host = wants(name);
    if (!host) return;
    const options = {
      width: host.clientWidth, height, tzDate: zoned, series: [{ value: "{DD} {MMM} {HH}:{mm}", label: tr("at") }, ...series],
      scales: { x: { min: conf.from / 1e3, max: conf.to / 1e3 }, ...(more.scales || {}) },
      axes: [
        axis({ values: [[86400 * 28, "{MMM}", "\n{YYYY}", null, null, null, null, null, 1], [86400, "{D} {MMM}", null, null, null, null, null, null, 1],
          [60, "{HH}:{mm}", "\n{D} {MMM}", null, "\n{D} {MMM}", null, null, null, 1]], space: 70 }),
        axis({ size: 44, ...(more.axis || {}) }),
      ],
      padding: [more.top || 8, box.clientWidth < 600 ? 92 : 104, 0, 0], legend: { markers: { show: false } },
      cursor: { sync: { key: "dewline" }, drag: { x: true, y: false, setScale: false }, points: { size: 6 } },
      hooks: { setSelect: [pulled], setCursor: [(u) => host.classList.toggle("pointed", u.cursor.idx != null && u.cursor.left >= 0)], ...(more.hooks || {}) },
    };
    const chart = new uPlot(options, data, host);
    host.classList.add("drawn");
    charts.push({ chart, host, height });
  };

  // named writes each line's name at its end, one apart from the other.
  const named = (u) => {
    const ctx = u.ctx, px = devicePixelRatio, { left, top, width, height } = u.bbox;
    const ends = u.series.slice(1).map((s, i) => {
      const last = u.data[i + 1].findLastIndex((v) => v != null);
      return last < 0 ? null : { label: s.label, y: u.valToPos(u.data[i + 1][last], "y", true) + 4 * px };
    }).filter(Boolean).sort((a, b) => a.y - b.y);
    ends.forEach((e, i) => { e.y = Math.max(e.y, i ? ends[i - 1].y + 15 * px : top + 8 * px); });
    let most = top + height;
    for (const e of [...ends].reverse()) { e.y = Math.min(e.y, most); most = e.y - 15 * px; }
    ctx.save();
    ctx.textAlign = "left";
    for (const e of ends) write(ctx, e.label, left + width + 6 * px, e.y);
    ctx.restore();
  };

  const negated = (values) => values.map((v) => (v == null ? null : -v));
  const shown = (values, unit) => values.map((v) => (v == null ? null : v * unit.factor + unit.offset));
  const ink = (label, decimals, unit, value) => ({ label, stroke: () => css("--ink"), width: 1.25, points: { show: false }, value: value || fixed(decimals, unit) });
  const grey = (label, decimals, unit, dash) => ({ label, stroke: () => css("--quiet"), width: 1.25, dash, points: { show: false }, value: fixed(decimals, unit) });

  const drawAll = () => {
    for (const { chart, host } of charts) { chart.destroy(); host.classList.remove("drawn"); }
    charts = [];
    const half = (rows.step_s || 0) / 2;
    const x = rows.times.map((t) => Date.parse(t) / 1e3 + half);
    const narrow = box.clientWidth < 600;
    const sh = shown(column("superheat"), conf.kelvin), sc = shown(column("subcooling"), conf.kelvin);
    const was = (name) => shown(earlier?.points[name]?.values || [], conf.kelvin);
    const k = " " + conf.kelvin.word, c = " " + conf.celsius.word, p = " " + conf.pascal.word, f = conf.kelvin.factor;
    // Both sides to one scale, with room for the bands.
    const most = (values, band, least, cap) => Math.min(cap, Math.ceil(1.1 * Math.max(least, band[1] ?? 0, ...values.filter((v) => v != null))));
    const shs = sh.concat(was("superheat")), scs = sc.concat(was("subcooling"));
    const up = Math.max(most(shs, ends(conf.superheat), 8 * f, 30 * f), most(negated(scs), [0, 0], 0, 30 * f));
    const down = Math.max(most(scs, ends(conf.subcooling), 6 * f, 25 * f), most(negated(shs), [0, 0], 0, 25 * f));
    draw("waterline", narrow ? 300 : 340,
      [ink(tr("superheat"), 1, k), ink(tr("subcooling"), 1, k, (u, v) => (v == null ? "–" : fixed(1, k)(u, -v)))],
      [x, sh, negated(sc)],
      { top: 34, scales: { y: { range: [-down, up] } }, axis: { incrs: [1, 2, 5, 10], values: (u, all) => all.map((v) => Math.abs(v)) }, hooks: { drawClear: [under], draw: [over] } });
    const beside = { axis: { values: (u, all) => all.map((v) => String(v).replace("-", "\u2212")) }, hooks: { draw: [named] } };
    draw("temperatures", 200,
      [ink(tr("condensing"), 1, c), grey(tr("liquid"), 1, c), grey(tr("outdoor air"), 1, c, [2, 3]), grey(tr("suction line"), 1, c), ink(tr("suction dew"), 1, c)],
      [x, ...["condensing_temp", "liquid_temp", "outdoor_air_temp", "suction_temp", "suction_dew_temp"].map((name) => shown(column(name), conf.celsius))], beside);
    draw("pressures", 200,
      [ink(tr("high side"), 0, p), grey(tr("suction"), 0, p)],
      [x, shown(column(conf.high_side), conf.pascal), shown(column("suction_pressure_abs"), conf.pascal)], beside);
  };

  // gapped puts an empty row wherever rows are missing: nothing is drawn across what nobody knows.
  const gapped = (r) => {
    const step = (r.step_s || conf.step_s) * 1e3, at = r.times.map(Date.parse);
    const holes = at.flatMap((t, i) => (i && t - at[i - 1] > 1.5 * step ? [i] : [])).reverse();
    for (const i of holes) {
      r.times.splice(i, 0, new Date(at[i - 1] + step).toISOString());
      for (const c of Object.values(r.points)) c.values.splice(i, 0, null);
    }
    return r;
  };

  const read = async (series, by) => {
    const answer = await fetch(address(series, by), { headers: { Accept: "application/json" } });
    return answer.ok ? gapped(await answer.json()) : null;
  };

  const load = async () => {
    const span = conf.to - conf.from;
    const only = conf.series.replace(/points=[^&]*/, "points=superheat,subcooling");
    const [own, before] = await Promise.all([read(conf.series, 0), conf.before ? read(only, span) : null]);
    if (!own) return; // the still drawing stays
    rows = own;
    earlier = before && { at: before.times.map((t) => Date.parse(t) + span), points: before.points };
    drawAll();
  };

  load();
  new ResizeObserver(() => charts.forEach(({ chart, host, height }) => {
    if (host.clientWidth && host.clientWidth !== chart.width) chart.setSize({ width: host.clientWidth, height });
  })).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => rows && drawAll());
  if (conf.live) {
    setInterval(() => {
      if (document.hidden || charts.some(({ chart }) => chart.cursor.left >= 0)) return; // nobody looks, or somebody reads
      const span = conf.to - conf.from, step = conf.step_s * 1e3;
      conf.to = Math.ceil(Date.now() / step) * step;
      conf.from = conf.to - span;
      load();
    }, 60e3);
  }
})();
