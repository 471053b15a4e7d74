// Edges in the picture along a core's radius: what a new boundary can snap to
// where the reading lists nothing. An edge is a step of brightness, along the
// layers, that most of the breadth agrees on.
import { clamp, type Radius } from "./coords";
import { paint } from "./crop";
import type { Picture } from "./model";

const reachPx = 256; // of the radius in one stretch
const marginPx = 40; // beyond its ends, for the arms of a step and for tilt
const halfRows = 24; // rows to either side of the radius, at most
const keptStretches = 24;

// Limits of an edge: chosen, on rendered and on smooth wood. Noise of n rows
// agrees by 1 / sqrt(n), which is 0.14 for 49.
const leastAgreement = 0.4; // mean step over its root mean square across the breadth
const leastStrength = 0.12; // of the brightness's standard deviation along the stretch

export interface Edge {
  at: number; // length along the radius, px
  share: number; // of the breadth that agrees, 0 to 1
}

// From the bark inward, a boundary is passed from the light earlywood of a
// conifer into the dark latewood of the year before; in ring-porous wood from the
// dark band of vessels into lighter wood (common practice). A terminal line has
// a step to either side.
const turn: Record<string, number> = { conifer: -1, "ring-porous": 1 };

interface Stretch {
  from: number; // length along the radius of its first column
  columns: number;
  rows: number;
  light: Float32Array; // row by row, from the left of the radius to the right
  spread: number;
}

// Edges reads the picture of one core, stretch by stretch, as it is asked for.
export class Edges {
  private readonly stretches = new Map<number, Stretch | Promise<void>>();

  constructor(
    private readonly scan: Picture,
    private readonly radius: Radius,
    private readonly sides: [number, number],
    private readonly wood: string | null,
  ) {}

  // near finds the best edge within reach px of a place; away tells which places
  // are taken. null: there is none. undefined: the picture is still being read;
  // ready is called when it has been.
  near(at: number, reach: number, tilt: number, away: (at: number) => boolean, ready: () => void): Edge | null | undefined {
    const k = Math.floor(at / reachPx);
    const s = this.stretches.get(k);
    if (s === undefined) {
      this.stretches.set(k, this.read(k).then(ready));
      return undefined;
    }
    if (s instanceof Promise) return undefined;
    let best: Edge | null = null;
    let most = 0;
    for (let x = Math.ceil(at - reach); x <= at + reach; x++) {
      const e = away(x) ? null : edge(s, x, tilt, turn[this.wood ?? ""] ?? 0);
      const score = e ? e.score * (1 - Math.abs(x - at) / (reach + 1)) : 0;
      if (e && score > most) [best, most] = [{ at: x, share: e.share }, score];
    }
    return best;
  }

  private async read(k: number): Promise<void> {
    const arm = Math.round(clamp(0.45 * Math.min(...this.sides), 3, halfRows));
    const canvas = document.createElement("canvas");
    canvas.width = reachPx + 2 * marginPx;
    canvas.height = 2 * arm + 1;
    const c = canvas.getContext("2d", { willReadFrequently: true });
    const middle = (k + 0.5) * reachPx;
    const [dx, dy] = this.radius.heading(middle);
    if (c) await paint(c, this.scan, this.radius.point(middle), (-Math.atan2(dy, dx) * 180) / Math.PI, 1, canvas.width, canvas.height);
    const data = c?.getImageData(0, 0, canvas.width, canvas.height).data ?? new Uint8ClampedArray();
    const light = new Float32Array(canvas.width * canvas.height);
    for (let i = 0; i < light.length; i++) light[i] = 0.3 * data[4 * i] + 0.6 * data[4 * i + 1] + 0.1 * data[4 * i + 2];
    if (this.stretches.size > keptStretches) this.stretches.clear();
    this.stretches.set(k, { from: k * reachPx - marginPx, columns: canvas.width, rows: canvas.height, light, spread: spreadOf(light) });
  }
}

const armPx = 5; // of a step, to either side

// edge weighs the step at a length along the radius, leaning by tilt degrees; its
// sign has to be the one wanted, if one is.
function edge(s: Stretch, at: number, tilt: number, sign: number): { score: number; share: number } | null {
  const lean = Math.tan((clamp(tilt, -60, 60) * Math.PI) / 180);
  const middle = (s.rows - 1) / 2;
  let [n, sum, squares, up] = [0, 0, 0, 0];
  for (let r = 0; r < s.rows; r++) {
    const x = Math.round(at - s.from + (r - middle) * lean);
    if (x < armPx || x + armPx > s.columns) continue;
    let step = 0;
    for (let i = 0; i < armPx; i++) step += s.light[r * s.columns + x + i] - s.light[r * s.columns + x - 1 - i];
    step /= armPx;
    [n, sum, squares, up] = [n + 1, sum + step, squares + step * step, up + (step > 0 ? 1 : 0)];
  }
  if (n < 5 || squares === 0 || sum * sign < 0) return null;
  const agreement = Math.abs(sum / n) / Math.sqrt(squares / n);
  const strength = Math.abs(sum / n) / s.spread;
  if (agreement < leastAgreement || strength < leastStrength) return null;
  return { score: agreement * strength, share: Math.max(up, n - up) / n };
}

function spreadOf(list: Float32Array): number {
  let [sum, squares] = [0, 0];
  for (const x of list) [sum, squares] = [sum + x, squares + x * x];
  const mean = sum / list.length;
  return Math.sqrt(Math.max(1, squares / list.length - mean * mean));
}
