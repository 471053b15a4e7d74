// Lengths along a core's radius and places on the scan, in px of the scan.
import type { Point } from "./model";

// half is what a viewer's coordinates are ahead of ours: it counts from a
// pixel's corner, we from its centre. It is added where px of the scan are handed to
// a viewer, a canvas or a drawing, and nowhere else.
export const half = 0.5;

export class Radius {
  readonly along: number[] = [0];
  // Lengths that were asked for: the same few hundred places are drawn over and over.
  private readonly known = new WeakMap<Point, number>();

  // A joined core's radius leaps from piece to piece; leaps are those legs.
  constructor(
    readonly path: Point[],
    private readonly leaps: [Point, Point][] = [],
  ) {
    for (let i = 1; i < path.length; i++) {
      this.along.push(this.along[i - 1] + distance(path[i - 1], path[i]));
    }
  }

  get length(): number {
    return this.along[this.along.length - 1];
  }

  // at is the length along the radius up to its place nearest to p.
  at(p: Point): number {
    let at = this.known.get(p);
    if (at === undefined) this.known.set(p, (at = this.find(p)));
    return at;
  }

  private find(p: Point): number {
    let best = Infinity;
    let at = 0;
    for (let i = 1; i < this.path.length; i++) {
      const [a, b] = [this.path[i - 1], this.path[i]];
      const l2 = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2;
      if (l2 === 0) continue;
      const f = clamp(((p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1])) / l2, 0, 1);
      const d = distance(p, [a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])]);
      if (d < best) [best, at] = [d, this.along[i - 1] + f * Math.sqrt(l2)];
    }
    return at;
  }

  // point is the place at a length along the radius, v px to its right-hand side.
  point(at: number, v = 0): Point {
    const i = this.leg(at);
    const [a, b] = [this.path[i - 1], this.path[i]];
    const f = clamp((at - this.along[i - 1]) / (this.along[i] - this.along[i - 1] || 1), 0, 1);
    const [dx, dy] = this.heading(at);
    return [a[0] + f * (b[0] - a[0]) - v * dy, a[1] + f * (b[1] - a[1]) + v * dx];
  }

  heading(at: number): Point {
    const i = this.leg(at);
    const [a, b] = [this.path[i - 1], this.path[i]];
    const l = distance(a, b) || 1;
    return [(b[0] - a[0]) / l, (b[1] - a[1]) / l];
  }

  // leapsAt tells whether there is no wood at a length along the radius, since it
  // leaps there from one piece to the next.
  leapsAt(at: number): boolean {
    return at > 0 && at < this.length && this.isLeap(this.leg(at));
  }

  private isLeap(leg: number): boolean {
    return this.leaps.some(([a, b]) => distance(a, this.path[leg - 1]) < 1 && distance(b, this.path[leg]) < 1);
  }

  // pieces are the stretches of the radius that lie on wood.
  get pieces(): Point[][] {
    const all: Point[][] = [[this.path[0]]];
    for (let i = 1; i < this.path.length; i++) {
      if (this.isLeap(i)) all.push([]);
      all[all.length - 1].push(this.path[i]);
    }
    return all;
  }

  private leg(at: number): number {
    let [lo, hi] = [1, this.path.length - 1];
    while (lo < hi) {
      const mid = (lo + hi) >> 1;
      if (at > this.along[mid]) lo = mid + 1;
      else hi = mid;
    }
    return lo;
  }

  // extent is the middle of the radius, and how far it reaches along its chord and
  // square to it: more than a core's bow only where pieces lie in different rows.
  get extent(): [Point, number, number] {
    const t = (this.chord * Math.PI) / 180;
    const [cos, sin] = [Math.cos(t), Math.sin(t)];
    const [u, v] = [this.path.map(([x, y]) => x * cos + y * sin), this.path.map(([x, y]) => y * cos - x * sin)];
    const [u0, u1, v0, v1] = [Math.min(...u), Math.max(...u), Math.min(...v), Math.max(...v)];
    const [mu, mv] = [(u0 + u1) / 2, (v0 + v1) / 2];
    return [[mu * cos - mv * sin, mu * sin + mv * cos], u1 - u0, v1 - v0];
  }

  // chord is the direction of the radius, of its pieces together, degrees clockwise
  // from x.
  get chord(): number {
    let [x, y] = [0, 0];
    for (const p of this.pieces) {
      const [a, b] = [p[0], p[p.length - 1]];
      [x, y] = [x + b[0] - a[0], y + b[1] - a[1]];
    }
    return (Math.atan2(y, x) * 180) / Math.PI;
  }
}

export function distance(a: Point, b: Point): number {
  return Math.hypot(b[0] - a[0], b[1] - a[1]);
}

export function clamp(x: number, lo: number, hi: number): number {
  return Math.max(lo, Math.min(hi, x));
}

// sides are how far a core's outline lies to the right and to the left of its
// radius, px, as medians along it.
export function sides(outline: Point[], radius: Radius): [number, number] {
  const right: number[] = [];
  const left: number[] = [];
  for (const p of outline) {
    const at = radius.at(p);
    if (at <= 0 || at >= radius.length) continue;
    const q = radius.point(at);
    const [dx, dy] = radius.heading(at);
    const v = (p[1] - q[1]) * dx - (p[0] - q[0]) * dy;
    (v > 0 ? right : left).push(Math.abs(v));
  }
  const middle = (d: number[]) => d.sort((a, b) => a - b)[d.length >> 1] ?? 60;
  return [middle(right), middle(left)];
}
