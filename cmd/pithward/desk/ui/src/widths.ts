// Ring widths on an even year axis, oldest left, and the leaders that tie each
// ring to its wood.
import type { CoreView, Point, Ring } from "./model";
import type { Wood } from "./wood";

export const left = 52;
export const right = 16;
const top = 10;
const bottom = 26;

export class Widths {
  private readonly style = getComputedStyle(document.documentElement);
  onRing: (i: number) => void = () => {};
  x: (year: number) => number = () => 0; // of a year, on the plot
  shown: [number, number] | null = null; // first and last year of dated rings in view
  private years: number[] = [];

  constructor(
    private readonly plot: HTMLCanvasElement,
    private readonly leaders: HTMLCanvasElement,
    private readonly wood: Wood,
  ) {
    plot.addEventListener("click", (e) => {
      const at = e.clientX - plot.getBoundingClientRect().left;
      const near = this.years.map((y, i) => [Math.abs(this.x(y) - at), i]).sort((a, b) => a[0] - b[0])[0];
      if (near) this.onRing(near[1]);
    });
  }

  draw(view: CoreView, selected: string): void {
    // Until the server has answered a removal there is a ring more than its boundaries.
    const rings = view.core.rings.slice(0, Math.max(0, view.core.boundaries.length - 1));
    this.shown = null;
    const c = fit(this.plot);
    const l = fit(this.leaders);
    if (!c || !l) return;
    const [w, h] = [this.plot.clientWidth, this.plot.clientHeight];
    const dated = rings.some((r) => r.year !== null);
    // Undated rings are counted from the bark, so that the oldest is still left.
    this.years = rings.map((r) => (dated ? (r.year ?? NaN) : -r.index));
    const middles = rings.map((_, i) => this.middle(view, i));
    const seen = this.years.filter((y, i) => !Number.isNaN(y) && middles[i] > -5 && middles[i] < w + 5);
    const ink = this.style.getPropertyValue("--text").trim();
    if (seen.length === 0) {
      write(c, ink, dated ? "no dated ring in view" : "no ring in view", w / 2, h / 2, "center");
      return;
    }
    const [first, last] = [Math.min(...seen), Math.max(...seen)];
    if (dated) this.shown = [first, last];
    const pitch = Math.min((w - left - right) / (last - first + 1), 90);
    const start = left + (w - left - right - pitch * (last - first + 1)) / 2;
    this.x = (y) => start + pitch * (y - first + 0.5);
    const widest = Math.max(0.01, ...rings.map((r, i) => (seen.includes(this.years[i]) ? (r.width_mm ?? 0) : 0)));
    const y = (mm: number) => h - bottom - (mm / widest) * (h - top - bottom);
    this.axes(c, ink, widest, y, first, last, pitch, w, dated);
    rings.forEach((r, i) => {
      const year = this.years[i];
      if (Number.isNaN(year) || year < first || year > last) return;
      const chosen = selected !== "" && (view.core.boundaries[i + 1].id === selected || view.core.boundaries[i].id === selected);
      this.ring(c, ink, r, this.x(year), y, pitch, chosen, view.core.boundaries[i + 1]);
      if (pitch > 3.2) leader(l, ink, middles[i], this.x(year), this.leaders.clientHeight, chosen ? 1 : 0.4);
    });
    for (const a of view.state.absent) {
      if (!dated || a.year === null || a.year < first || a.year > last) continue;
      c.strokeStyle = ink;
      c.lineWidth = 1.5;
      c.beginPath();
      c.arc(this.x(a.year), y(0) - 6, 4, 0, 2 * Math.PI);
      c.stroke();
    }
    this.plot.setAttribute("aria-label", `Ring widths ${dated ? `${first} to ${last}` : `rings ${-last} to ${-first}`}, up to ${widest.toFixed(2)} mm`);
  }

  private middle(view: CoreView, i: number): number {
    const [a, b] = [view.core.boundaries[i].point_px, view.core.boundaries[i + 1].point_px];
    return this.wood.paneX([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] as Point);
  }

  private axes(c: CanvasRenderingContext2D, ink: string, widest: number, y: (mm: number) => number, first: number, last: number, pitch: number, w: number, dated: boolean): void {
    const step = [0.05, 0.1, 0.2, 0.5, 1, 2, 5].find((s) => widest / s <= 4) ?? 10;
    c.lineWidth = 1;
    for (let mm = 0; mm <= widest; mm += step) {
      c.strokeStyle = ink;
      c.globalAlpha = mm === 0 ? 0.7 : 0.15;
      c.beginPath();
      c.moveTo(left, y(mm));
      c.lineTo(w - right, y(mm));
      c.stroke();
      c.globalAlpha = 1;
      write(c, ink, `${Number(mm.toFixed(2))}${mm === 0 ? " mm" : ""}`, left - 6, y(mm) + 4, "right");
    }
    const every = [1, 2, 5, 10, 20, 50, 100].find((s) => s * pitch >= 44) ?? 200;
    for (let t = Math.ceil(first / every) * every; t <= last; t += every) {
      write(c, ink, dated ? `${t}` : `ring ${-t}`, this.x(t), this.plot.clientHeight - 8, "center");
    }
  }

  private ring(c: CanvasRenderingContext2D, ink: string, r: Ring, x: number, y: (mm: number) => number, pitch: number, chosen: boolean, inner: { source: string; probability: number } | undefined): void {
    const half = Math.max(0.8, Math.min(9, pitch * 0.34));
    c.fillStyle = ink;
    c.strokeStyle = ink;
    if (r.width_mm === null) {
      write(c, ink, "?", x, y(0) - 4, "center");
      return;
    }
    const doubtful = inner !== undefined && inner.source !== "person" && inner.probability < 0.9;
    c.globalAlpha = chosen ? 1 : 0.72;
    if (doubtful || r.flags.length > 0) {
      c.lineWidth = 1.2;
      c.setLineDash([3, 2]);
      c.strokeRect(x - half, y(r.width_mm), 2 * half, y(0) - y(r.width_mm));
      c.setLineDash([]);
    } else {
      c.fillRect(x - half, y(r.width_mm), 2 * half, y(0) - y(r.width_mm));
    }
    c.globalAlpha = 1;
    if (chosen) {
      c.lineWidth = 2;
      c.strokeRect(x - half - 3, y(r.width_mm) - 3, 2 * half + 6, y(0) - y(r.width_mm) + 3);
    }
  }
}

export function fit(canvas: HTMLCanvasElement): CanvasRenderingContext2D | null {
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== w * ratio || canvas.height !== h * ratio) {
    canvas.width = w * ratio;
    canvas.height = h * ratio;
  }
  const c = canvas.getContext("2d");
  c?.setTransform(ratio, 0, 0, ratio, 0, 0);
  c?.clearRect(0, 0, w, h);
  return c;
}

export function write(c: CanvasRenderingContext2D, ink: string, text: string, x: number, y: number, align: CanvasTextAlign): void {
  c.font = "12px system-ui, sans-serif";
  c.textAlign = align;
  c.fillStyle = ink;
  c.fillText(text, x, y);
}

function leader(c: CanvasRenderingContext2D, ink: string, from: number, to: number, height: number, strength: number): void {
  c.strokeStyle = ink;
  c.globalAlpha = strength;
  c.lineWidth = strength === 1 ? 1.6 : 0.8;
  c.beginPath();
  c.moveTo(from, 0);
  c.bezierCurveTo(from, height * 0.5, to, height * 0.5, to, height);
  c.stroke();
  c.globalAlpha = 1;
}
