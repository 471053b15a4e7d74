// A radius that is being drawn, by mouse or by keyboard: places from bark to
// pith, a cursor that the arrows move, and perhaps a place that it carries.
import { distance } from "./coords";
import type { Point } from "./model";

export class Drawing {
  places: Point[] = [];
  held = -1; // the place that the cursor carries

  // order gives a place's rank along the core; without it places stay in the
  // order in which they were set.
  constructor(
    public cursor: Point,
    private readonly order: ((p: Point) => number) | null = null,
  ) {}

  // path is the radius as it would be taken now.
  get path(): Point[] {
    return this.places.map((p, i) => (i === this.held ? this.cursor : p));
  }

  moveTo(p: Point): void {
    this.cursor = p;
  }

  // place sets a place at the cursor, takes up the one that is there, within
  // reach px of the scan, or puts down the one that is carried.
  place(reach: number): void {
    if (this.held >= 0) {
      this.places[this.held] = this.cursor;
      this.held = -1;
    } else if (this.near(reach) >= 0) {
      this.held = this.near(reach);
      this.cursor = this.places[this.held];
      return;
    } else this.places.push(this.cursor);
    this.sort();
  }

  // drop takes the place nearest to the cursor away.
  drop(): void {
    const i = this.held >= 0 ? this.held : this.near(Infinity);
    this.held = -1;
    if (i >= 0) this.places.splice(i, 1);
  }

  // go moves the cursor to the next place towards the pith, or the bark.
  go(step: 1 | -1): void {
    const i = this.near(Infinity);
    if (i < 0) return;
    const there = distance(this.places[i], this.cursor) < 0.5;
    this.held = -1;
    this.cursor = this.places[there ? (i + step + this.places.length) % this.places.length : i];
  }

  private near(reach: number): number {
    let best = -1;
    this.places.forEach((p, i) => {
      const d = distance(p, this.cursor);
      if (d <= reach) [best, reach] = [i, d];
    });
    return best;
  }

  private sort(): void {
    const order = this.order;
    if (order) this.places.sort((a, b) => order(a) - order(b));
  }
}
