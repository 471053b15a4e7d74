// A core beside the other trees, on the years of the widths above it: what each
// year was against what is usual round it.
import type { Curve, InTime, Suspect } from "./model";
import { fit, left, right, write, type Widths } from "./widths";

const top = 20;
const bottom = 8;

export class Company {
  private readonly style = getComputedStyle(document.documentElement);

  constructor(
    private readonly plot: HTMLCanvasElement,
    private readonly widths: Widths,
  ) {}

  // show makes room for the plot, or takes it away from a core that has no other
  // trees to stand beside.
  show(t: InTime | null): void {
    this.plot.hidden = !t || t.why !== "" || t.master.index.length === 0;
  }

  draw(t: InTime | null, current: Suspect | undefined): void {
    if (!t || this.plot.hidden) return;
    const c = fit(this.plot);
    const range = this.widths.shown;
    if (!c) return;
    const ink = this.style.getPropertyValue("--text").trim();
    const [w, h] = [this.plot.clientWidth, this.plot.clientHeight];
    if (!range) return write(c, ink, "no dated ring in view", w / 2, h / 2, "center");
    const all = [t.own, t.master, ...t.sisters].flatMap((k) => inView(k, range).map(([, v]) => v));
    // Widths multiply: twice as wide is as far up as half as wide is down.
    const reach = Math.max(0.4, ...all.map((v) => Math.abs(Math.log2(v))));
    const y = (v: number) => top + (h - top - bottom) * (0.5 - Math.log2(v) / 2 / Math.min(reach, 2));
    this.axis(c, ink, y, reach, w);
    for (const s of t.sisters) this.line(c, ink, s, range, y, 0.7, 0.22, []);
    this.line(c, ink, t.master, range, y, 1.6, 0.95, [5, 3]);
    this.line(c, ink, t.own, range, y, 2.4, 0.95, []);
    this.marks(c, ink, t, range, current, h);
    const r = t.r === null ? "" : `, r ${t.r.toFixed(2)} over ${t.years} years`;
    write(c, ink, `unbroken: this core · dashed: mean of ${t.trees} other tree${t.trees === 1 ? "" : "s"}${r}`, left, 12, "left");
    this.plot.setAttribute("aria-label", `This core beside the mean of ${t.trees} other trees, ${range[0]} to ${range[1]}${r}; ${t.suspects.length} places suspected`);
  }

  private axis(c: CanvasRenderingContext2D, ink: string, y: (v: number) => number, reach: number, w: number): void {
    for (const v of [0.5, 1, 2].filter((k) => Math.abs(Math.log2(k)) <= reach)) {
      c.strokeStyle = ink;
      c.globalAlpha = v === 1 ? 0.5 : 0.15;
      c.lineWidth = 1;
      c.setLineDash([]);
      c.beginPath();
      c.moveTo(left, y(v));
      c.lineTo(w - right, y(v));
      c.stroke();
      c.globalAlpha = 1;
      write(c, ink, v === 1 ? "usual" : `× ${v}`, left - 6, y(v) + 4, "right");
    }
  }

  private line(c: CanvasRenderingContext2D, ink: string, k: Curve, range: [number, number], y: (v: number) => number, width: number, strength: number, dashes: number[]): void {
    c.strokeStyle = ink;
    c.globalAlpha = strength;
    c.lineWidth = width;
    c.setLineDash(dashes);
    c.beginPath();
    let before = NaN;
    for (const [year, v] of inView(k, range)) {
      if (year === before + 1) c.lineTo(this.widths.x(year), y(v));
      else c.moveTo(this.widths.x(year), y(v));
      before = year;
    }
    c.stroke();
    c.globalAlpha = 1;
    c.setLineDash([]);
  }

  // marks shows over which years each suspected ring may lie.
  private marks(c: CanvasRenderingContext2D, ink: string, t: InTime, range: [number, number], current: Suspect | undefined, h: number): void {
    for (const s of t.suspects) {
      if (s.to_year < range[0] || s.from_year > range[1]) continue;
      const [a, b] = [this.widths.x(Math.max(range[0], s.from_year) - 0.5), this.widths.x(Math.min(range[1], s.to_year) + 0.5)];
      c.fillStyle = ink;
      c.globalAlpha = s === current ? 0.22 : 0.1;
      c.fillRect(a, top, Math.max(3, b - a), h - top - bottom);
      c.globalAlpha = 1;
      write(c, ink, "?", (a + b) / 2, h - bottom - 3, "center");
    }
  }
}

function inView(k: Curve, range: [number, number]): [number, number][] {
  return k.index.map((v, i) => [k.first_year + i, v] as const).filter((p): p is [number, number] => p[1] !== null && p[1] > 0 && p[0] >= range[0] && p[0] <= range[1]);
}
