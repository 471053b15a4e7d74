// The wood: the scan in a viewer, turned so that the core lies level, and drawn
// on it the radius, the boundaries and what is doubtful. One ink; the line tells
// how sure a boundary is, a notch that a person set it.
import OpenSeadragon from "openseadragon";
import { clamp, distance, half, Radius, sides } from "./coords";
import type { CoreView, Picture, Point } from "./model";

const sure = 0.9;
const notable = 0.2;
const upperRoom = 50; // px kept for what stands above the core,
const lowerRoom = 62; // and below it
const paneMargin = 40; // px above and below the core when the whole is shown

export interface Preview {
  kind: "boundary" | "from" | "path";
  at: Point[];
  words: string;
  cursor?: Point; // of a path that is being drawn
}

export class Wood {
  private readonly viewer: OpenSeadragon.Viewer;
  private readonly canvas: HTMLCanvasElement;
  private readonly style = getComputedStyle(document.documentElement);
  private view: CoreView | null = null;
  private scan: Picture | null = null;
  sides: [number, number] = [60, 60]; // right and left of the radius, px of the scan
  private opened: Promise<void> = Promise.resolve();
  radius: Radius = new Radius([[0, 0], [1, 0]]);
  flipped = false; // bark to the left
  selected = ""; // a boundary or candidate
  preview: Preview | null = null;
  onMove: () => void = () => {};
  onPoint: (p: Point, how: "click" | "hover") => void = () => {};
  onDrag: (target: string, p: Point) => void = () => {};
  private drag: { target: string; p: Point } | null = null;

  constructor(private readonly place: HTMLElement) {
    // The viewer would add a style sheet of its own, which the page's policy
    // forbids, unless it finds one; this passes for it.
    const passes = document.createElementNS("urn:none", "style");
    passes.setAttribute("data-openseadragon-mobile-css", "true");
    document.head.append(passes);
    this.viewer = new OpenSeadragon.Viewer({
      element: place,
      showNavigationControl: false,
      animationTime: 0.25,
      springStiffness: 12,
      maxZoomPixelRatio: 12,
      minZoomImageRatio: 0.2,
      visibilityRatio: 0.2,
      autoResize: false, // it would take a hidden pane for a small one
      maxImageCacheCount: 300,
      drawer: "canvas",
      zoomPerScroll: 1.25,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: false },
      crossOriginPolicy: false,
    });
    // The page has keys of its own.
    for (const e of ["canvas-key", "canvas-key-press"] as const) this.viewer.addHandler(e, (x) => ((x as { preventDefaultAction?: boolean }).preventDefaultAction = true));
    this.canvas = document.createElement("canvas");
    this.canvas.className = "marks";
    this.canvas.setAttribute("aria-hidden", "true");
    place.append(this.canvas);
    this.viewer.addHandler("animation-start", () => (place.dataset.moves = "yes"));
    this.viewer.addHandler("animation-finish", () => delete place.dataset.moves);
    new ResizeObserver(() => this.resize()).observe(place);
    for (const e of ["update-viewport", "open"] as const) this.viewer.addHandler(e, () => this.draw());
    this.viewer.addHandler("canvas-click", (e) => {
      if (e.quick) this.onPoint(this.toScan(e.position), "click");
    });
    this.viewer.addHandler("canvas-press", (e) => {
      const target = this.under(this.toScan(e.position));
      this.drag = target && target === this.selected ? { target, p: this.toScan(e.position) } : null;
    });
    this.viewer.addHandler("canvas-drag", (e) => {
      if (!this.drag) return;
      e.preventDefaultAction = true;
      this.drag.p = this.radius.point(this.radius.at(this.toScan(e.position)));
      this.draw();
    });
    this.viewer.addHandler("canvas-drag-end", () => {
      if (this.drag) this.onDrag(this.drag.target, this.drag.p);
      this.drag = null;
    });
    // A browser tells of a move also when the page moved under a mouse at rest:
    // that mouse points at nothing, and the keys' place stays.
    let [restX, restY] = [NaN, NaN];
    place.addEventListener("pointermove", (e) => {
      if (e.screenX === restX && e.screenY === restY) return;
      [restX, restY] = [e.screenX, e.screenY];
      const r = place.getBoundingClientRect();
      this.onPoint(this.toScan(new OpenSeadragon.Point(e.clientX - r.left, e.clientY - r.top)), "hover");
    });
  }

  // show puts a core on the bench; the same core again keeps where it is.
  async show(view: CoreView, scan: Picture): Promise<void> {
    const other = this.view?.core.uid !== view.core.uid;
    const moved = JSON.stringify(this.view?.core.path_px) !== JSON.stringify(view.core.path_px);
    this.view = view;
    if (other || moved) {
      const leaps = view.state.pieces ? view.state.gaps.map((g): [Point, Point] => [g.from_px, g.to_px]) : [];
      this.radius = new Radius(view.core.path_px.length > 1 ? view.core.path_px : [[0, 0], [1, 0]], leaps);
      this.sides = sides(view.state.pieces?.flat() ?? view.core.outline_px, this.radius);
    }
    if (this.scan?.tiles !== scan.tiles) this.open(scan);
    this.scan = scan;
    await this.opened;
    this.resize();
    if (other || moved) {
      this.turn();
      this.whole();
    }
    this.draw();
  }

  // resize takes up the pane's size: what stands in its middle stays there, as large
  // as it is.
  private resize(): void {
    const size = new OpenSeadragon.Point(this.place.clientWidth, this.place.clientHeight);
    if (size.x === 0 || size.y === 0 || this.viewer.world.getItemCount() === 0) return;
    const v = this.viewer.viewport;
    if (size.equals(v.getContainerSize())) return this.draw();
    const [zoom, centre] = [this.zoom, v.getCenter(false)];
    v.resize(size, true);
    v.zoomTo(v.imageToViewportZoom(zoom), undefined, true);
    v.panTo(centre, true);
    this.viewer.forceRedraw();
    this.draw();
  }

  private open(scan: Picture): void {
    if (!scan.tiles) return;
    this.opened = new Promise((resolve) => this.viewer.addOnceHandler("open", () => resolve()));
    this.viewer.open({ tileSource: scan.tiles });
  }

  private turn(): void {
    if (this.viewer.world.getItemCount() === 0) return;
    this.viewer.viewport.setRotation((this.flipped ? 0 : 180) - this.radius.chord, true);
  }

  flip(): void {
    const at = this.middle();
    const zoom = this.zoom;
    this.flipped = !this.flipped;
    this.turn();
    this.go(at, zoom, true);
  }

  // whole shows all of the core.
  whole(): void {
    const [centre, length, height] = this.radius.extent;
    const [w, h] = [this.place.clientWidth - 2 * paneMargin, this.place.clientHeight - upperRoom - lowerRoom - 2 * paneMargin];
    this.look(centre, Math.min(w / Math.max(length, 1), height > 2 * (this.sides[0] + this.sides[1]) ? h / height : Infinity), true);
  }

  // zoom is screen px for a px of the scan: once it has moved to where it was
  // sent, so that a key pressed on the way counts from there.
  get zoom(): number {
    return this.zoomNow(false);
  }

  private zoomNow(current = true): number {
    if (this.viewer.world.getItemCount() === 0) return 1;
    return this.viewer.viewport.viewportToImageZoom(this.viewer.viewport.getZoom(current));
  }

  // middle is the length along the radius at the middle of the pane, once it has
  // moved to where it was sent.
  middle(): number {
    if (this.viewer.world.getItemCount() === 0) return 0;
    const c = this.viewer.viewport.viewportToImageCoordinates(this.viewer.viewport.getCenter(false));
    return this.radius.at([c.x - half, c.y - half]);
  }

  // shown is the part of the radius in the pane, as lengths along it.
  shown(): [number, number] {
    const half = this.place.clientWidth / 2 / this.zoom;
    return [clamp(this.middle() - half, 0, this.radius.length), clamp(this.middle() + half, 0, this.radius.length)];
  }

  go(at: number, zoom: number, atOnce = false): void {
    this.look(this.radius.point(at), zoom, atOnce);
  }

  private look([x, y]: Point, zoom: number, atOnce: boolean): void {
    if (this.viewer.world.getItemCount() === 0) return;
    const v = this.viewer.viewport;
    v.zoomTo(v.imageToViewportZoom(clamp(zoom, 0.02, 12)), undefined, atOnce);
    v.panTo(v.imageToViewportCoordinates(x + half, y + half), atOnce);
    v.applyConstraints(atOnce);
    const far = v.getCenter(true).distanceTo(v.getCenter(false)) > 1e-9 || Math.abs(v.getZoom(true) / v.getZoom(false) - 1) > 1e-6;
    if (far) this.place.dataset.moves = "yes"; // from now on, not only from the next frame
    this.draw();
  }

  zoomBy(factor: number): void {
    this.go(this.middle(), this.zoom * factor);
  }

  private toScan(p: OpenSeadragon.Point): Point {
    if (this.viewer.world.getItemCount() === 0) return [0, 0];
    const q = this.viewer.viewport.viewerElementToImageCoordinates(p);
    return [q.x - half, q.y - half];
  }

  // matrix takes px of the scan to px of the pane: [a, b, c, d, e, f] as a
  // canvas has it.
  private matrix(): [number, number, number, number, number, number] {
    const v = this.viewer.viewport;
    const to = (x: number, y: number) => v.pixelFromPoint(v.imageToViewportCoordinates(x + half, y + half), true);
    const span = 1000;
    const [o, x, y] = [to(0, 0), to(span, 0), to(0, span)];
    return [(x.x - o.x) / span, (x.y - o.y) / span, (y.x - o.x) / span, (y.y - o.y) / span, o.x, o.y];
  }

  // onPane moves a place of the scan by px of the pane.
  onPane(p: Point, dx: number, dy: number): Point {
    const [a, b, c, d] = this.matrix();
    const det = a * d - b * c || 1;
    return [p[0] + (d * dx - c * dy) / det, p[1] + (a * dy - b * dx) / det];
  }

  // paneX is where a place of the scan stands in the pane, from its left, px.
  paneX(p: Point): number {
    if (this.viewer.world.getItemCount() === 0) return 0;
    const [a, , c, , e] = this.matrix();
    return a * p[0] + c * p[1] + e;
  }

  // under is the boundary or candidate at a place of the scan, "" for none.
  under(p: Point): string {
    const at = this.radius.at(p);
    let best = 9 / this.zoomNow();
    let id = "";
    if (!this.view || distance(p, this.radius.point(at)) > 1.3 * Math.max(...this.sides)) return id;
    for (const b of [...this.view.core.boundaries, ...(this.view.state.blank ? [] : this.view.core.candidates)]) {
      const d = Math.abs(this.radius.at(b.point_px) - at);
      if (d < best) [best, id] = [d, b.id];
    }
    return id;
  }

  draw(): void {
    const ratio = window.devicePixelRatio || 1;
    const [w, h] = [this.place.clientWidth, this.place.clientHeight];
    if (this.canvas.width !== w * ratio || this.canvas.height !== h * ratio) {
      this.canvas.width = w * ratio;
      this.canvas.height = h * ratio;
    }
    const c = this.canvas.getContext("2d");
    if (!c) return;
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, w, h);
    if (!this.view || this.viewer.world.getItemCount() === 0) return;
    const m = this.matrix();
    const to = (p: Point): Point => [m[0] * p[0] + m[2] * p[1] + m[4], m[1] * p[0] + m[3] * p[1] + m[5]];
    const marks = new Marks(c, to, this.radius, this.sides, this.zoomNow(), this.style, w, h);
    marks.all(this.view, this.selected, this.drag, this.preview);
    this.onMove();
  }
}

// Marks draws on the wood.
class Marks {
  private readonly ink: string;
  private readonly halo: string;

  constructor(
    private readonly c: CanvasRenderingContext2D,
    private readonly to: (p: Point) => Point,
    private readonly radius: Radius,
    private readonly sides: [number, number], // right and left of the radius, px of the scan
    private readonly zoom: number,
    style: CSSStyleDeclaration,
    private readonly width: number,
    private readonly height: number,
  ) {
    this.ink = style.getPropertyValue("--ink").trim() || "#093f60";
    this.halo = style.getPropertyValue("--halo").trim() || "#fbfaf6";
  }

  all(view: CoreView, selected: string, drag: { target: string; p: Point } | null, preview: Preview | null): void {
    for (const piece of this.radius.pieces) this.stroke(piece.map(this.to), [], 1, 0.5);
    this.second(view);
    for (const g of view.state.gaps) this.gap(g.from_px, g.to_px, g.kind);
    for (const o of view.state.obscured) this.stretch(o.from_px, o.to_px, o.kind, true);
    // Whoever measures by hand is not shown what the program thinks.
    const candidates = view.state.blank ? [] : view.core.candidates;
    for (const x of candidates) this.evidence(x.point_px, x.probability);
    for (const b of view.state.blank ? [] : view.core.boundaries) this.evidence(b.point_px, b.source === "person" ? 1 : b.probability);
    const places = view.core.boundaries.map((b) => this.radius.at(b.point_px) * this.zoom);
    view.core.boundaries.forEach((b, i) => {
      const room = Math.min(i > 0 ? places[i] - places[i - 1] : 99, i + 1 < places.length ? places[i + 1] - places[i] : 99);
      if (b.id === drag?.target) return;
      const doubtful = b.source !== "person" && b.probability < sure;
      this.boundary(b.line_px, doubtful ? [11, 6] : [], room, b.id === selected || doubtful);
      if (b.source === "person") this.notch(b.line_px);
      if (b.id === selected) this.choose(b.point_px);
    });
    for (const x of candidates) {
      if (x.probability > notable || x.id === selected) this.boundary(this.across(x.point_px, x.tilt_deg), [1, 5], 99, true);
      if (x.id === selected) this.choose(x.point_px);
    }
    for (const r of view.state.removed) if (r.point_px) this.cross(r.point_px);
    for (const a of view.state.absent) this.absent(a.from_px, a.year);
    for (const n of view.state.notes) if (n.point_px) this.word("note", this.edge(n.point_px, -1, 37));
    this.scaleBar(view);
    if (drag) {
      this.boundary(this.across(drag.p, 0), [], 99, true);
      this.choose(drag.p);
    }
    if (preview) this.preview(preview);
  }

  // second draws faintly what was read beyond the pith, until somebody takes it up.
  private second(view: CoreView): void {
    const s = view.core.second_radius;
    if (!s || s.path_px.length < 2) return;
    this.stroke(s.path_px.map(this.to), [2, 5], 1, 0.5, 1.5);
    for (const b of s.boundaries) this.stroke(b.line_px.map(this.to), [2, 4], 1, 0.55, 1);
    const [a, b] = [s.path_px[0], s.path_px[s.path_px.length - 1]].map(this.to);
    this.word(`second radius, ${s.rings.length} rings`, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2 + Math.max(...this.sides) * this.zoom + 16]);
  }

  // gap brackets one. Pieces of a joined core that lie apart have nothing between
  // them: a word at either end says that it goes on.
  private gap(from: Point, to: Point, kind: string): void {
    const leap = this.radius.leapsAt((this.radius.at(from) + this.radius.at(to)) / 2);
    if (!leap || distance(from, to) < 2 * (this.sides[0] + this.sides[1])) return this.stretch(from, to, kind);
    for (const [p, words] of [
      [from, `${kind}: goes on elsewhere`],
      [to, `${kind}: goes on from here`],
    ] as const) {
      const [x, y] = this.edge(p, -1, 32);
      const room = 80; // px for half of the words
      if (x > -room && x < this.width + room) this.word(words, [clamp(x, room, this.width - room), y]);
    }
  }

  private preview(p: Preview): void {
    if (p.kind === "boundary") {
      this.boundary(this.across(p.at[0], 0), [4, 3], 99, true);
      this.choose(p.at[0]);
    } else if (p.kind === "from") {
      this.boundary(this.across(p.at[0], 0), [4, 3], 99, true);
      this.boundary(this.across(p.at[1], 0), [4, 3], 99, true);
      this.stretch(p.at[0], p.at[1], "");
    } else {
      if (p.at.length > 1) this.stroke(p.at.map(this.to), [6, 4], 2, 1);
      for (const q of p.at) this.knot(this.to(q));
      if (p.cursor) this.cursor(this.to(p.cursor));
    }
    if (p.at.length === 0) return;
    if (p.words) this.word(p.words, this.edge(p.at[p.at.length - 1], -1, 20));
  }

  // knot is a place of a radius that is being drawn.
  private knot([x, y]: Point): void {
    this.c.fillStyle = this.halo;
    this.c.strokeStyle = this.ink;
    this.c.lineWidth = 2;
    this.c.beginPath();
    this.c.rect(x - 4, y - 4, 8, 8);
    this.c.fill();
    this.c.stroke();
  }

  // cursor is where the keyboard would set the next place.
  private cursor([x, y]: Point): void {
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) this.stroke([[x + 7 * dx, y + 7 * dy], [x + 20 * dx, y + 20 * dy]], [], 1.8, 1, 2);
  }

  // across is a line over the core's breadth, square to the radius but for the
  // tilt, degrees anticlockwise as the scan is displayed.
  private across(p: Point, tilt: number): Point[] {
    const [dx, dy] = this.radius.heading(this.radius.at(p));
    const t = (tilt * Math.PI) / 180;
    const [nx, ny] = [-dy, dx];
    const [x, y] = [nx * Math.cos(t) + ny * Math.sin(t), -nx * Math.sin(t) + ny * Math.cos(t)];
    const [right, left] = this.sides.map((s) => s / Math.cos(t));
    return [
      [p[0] - x * left, p[1] - y * left],
      [p[0] + x * right, p[1] + y * right],
    ];
  }

  // edge is the place beside a place of the radius at the pane's upper (-1) or
  // lower (1) edge of the core, so many screen px off it; where the core reaches
  // beyond the pane, at the pane's own edge.
  private edge(p: Point, side: number, off: number): Point {
    const at = this.radius.at(p);
    const [a, b] = [this.to(this.radius.point(at, this.sides[0])), this.to(this.radius.point(at, -this.sides[1]))];
    const [end, other] = a[1] * side > b[1] * side ? [a, b] : [b, a];
    const y = side < 0 ? Math.max(end[1], upperRoom) : Math.min(end[1], this.height - lowerRoom);
    const f = (y - end[1]) / (other[1] - end[1] || 1);
    return [end[0] + f * (other[0] - end[0]), y + side * off];
  }

  // boundary draws one, out of the wood's way where rings are narrow.
  private boundary(line: Point[], dash: number[], room: number, heed: boolean): void {
    if (line.length < 2) return;
    const p = line.map(this.to);
    if (p.every((q) => q[0] < -50) || p.every((q) => q[0] > this.width + 50)) return;
    if (room < 5 && !heed) {
      const part = 0.14;
      const end = (a: Point, b: Point): Point => [a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])];
      const [first, last] = [p[0], p[p.length - 1]];
      this.stroke([first, end(first, last)], dash, 1, 0.8, 1.5);
      this.stroke([last, end(last, first)], dash, 1, 0.8, 1.5);
      return;
    }
    this.stroke(p, dash, room < 14 ? 1 : 1.6, 0.95, room < 14 && !heed ? 0.8 : room < 40 ? 1.8 : 2.8);
  }

  private stroke(p: Point[], dash: number[], width: number, strength: number, halo = 2.5): void {
    const c = this.c;
    c.lineCap = dash[0] === 1 ? "round" : "butt";
    c.lineJoin = "round";
    for (const [colour, w, alpha] of [
      [this.halo, width + 2 * halo, 0.25 * strength],
      [this.halo, width + halo, 0.45 * strength],
      [this.ink, width * (dash[0] === 1 ? 1.7 : 1), strength],
    ] as const) {
      c.beginPath();
      p.forEach((q, i) => (i === 0 ? c.moveTo(q[0], q[1]) : c.lineTo(q[0], q[1])));
      c.setLineDash(colour === this.ink ? dash : []);
      c.strokeStyle = colour;
      c.lineWidth = w;
      c.globalAlpha = alpha;
      c.stroke();
    }
    c.setLineDash([]);
    c.globalAlpha = 1;
  }

  // notch marks what a person set, at the core's edge.
  private notch(line: Point[]): void {
    const [a, b] = [this.to(line[0]), this.to(line[line.length - 1])];
    const p = a[1] < b[1] ? a : b;
    this.c.fillStyle = this.ink;
    this.c.strokeStyle = this.halo;
    this.c.lineWidth = 1.5;
    this.c.beginPath();
    this.c.moveTo(p[0], p[1] + 3);
    this.c.lineTo(p[0] - 5, p[1] - 6);
    this.c.lineTo(p[0] + 5, p[1] - 6);
    this.c.closePath();
    this.c.stroke();
    this.c.fill();
  }

  // choose rings the selected place, off the wood.
  private choose(p: Point): void {
    const q = this.edge(p, 1, 12);
    for (const [colour, w] of [
      [this.halo, 5],
      [this.ink, 2],
    ] as const) {
      this.c.strokeStyle = colour;
      this.c.lineWidth = w;
      this.c.beginPath();
      this.c.moveTo(q[0] - 6, q[1] + 7);
      this.c.lineTo(q[0], q[1] - 3);
      this.c.lineTo(q[0] + 6, q[1] + 7);
      this.c.stroke();
    }
  }

  private cross(p: Point): void {
    const [x, y] = this.edge(p, 1, 7);
    this.stroke([[x - 4, y - 4], [x + 4, y + 4]], [], 1.4, 0.9, 1.5);
    this.stroke([[x - 4, y + 4], [x + 4, y - 4]], [], 1.4, 0.9, 1.5);
  }

  private absent(p: Point, year: number | null): void {
    const [x, y] = this.edge(p, -1, 14);
    this.c.strokeStyle = this.ink;
    this.c.lineWidth = 1.5;
    this.c.beginPath();
    this.c.arc(x, y, 4, 0, 2 * Math.PI);
    this.c.stroke();
    if (year !== null) this.word(`${year} absent`, [x, y - 8]);
  }

  // stretch brackets a gap, or hatches an obscured stretch, beside the core.
  private stretch(from: Point, to: Point, kind: string, hatch = false): void {
    const [a, b] = [this.edge(from, 1, 18), this.edge(to, 1, 18)];
    this.stroke([[a[0], a[1] - 7], a, b, [b[0], b[1] - 7]], hatch ? [3, 3] : [], 1.5, 1);
    if (kind) this.word(kind, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2 + 15]);
  }

  // evidence is a thin ribbon along the core's upper edge: how probable a
  // boundary is, as height.
  private evidence(p: Point, probability: number): void {
    const [x] = this.to(p);
    if (x < -30 || x > this.width + 30) return;
    this.stroke([this.edge(p, -1, 4), this.edge(p, -1, 5 + 18 * probability)], [], 1.8, 0.9, 1.6);
  }

  // scaleBar counts mm along the radius, below the core.
  private scaleBar(view: CoreView): void {
    const length = view.core.path_length_mm;
    if (!length || this.radius.length < 2) return;
    const perMM = (this.radius.length / length) * this.zoom;
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find((s) => s * perMM >= 56) ?? 100;
    for (let mm = 0; mm <= length; mm += step) {
      if (this.radius.leapsAt((mm / length) * this.radius.length)) continue;
      const p = this.radius.point((mm / length) * this.radius.length);
      const [x, y] = this.edge(p, 1, 40);
      if (x < -20 || x > this.width + 20) continue;
      this.stroke([[x, y - 5], [x, y]], [], 1, 0.9, 1.5);
      this.word(`${Number(mm.toFixed(1))}${mm === 0 ? " mm" : ""}`, [x, y + 13]);
    }
  }

  private word(text: string, [x, y]: Point): void {
    const c = this.c;
    c.font = "12px system-ui, sans-serif";
    c.textAlign = "center";
    c.lineJoin = "round";
    c.strokeStyle = this.halo;
    c.lineWidth = 4;
    c.strokeText(text, x, y);
    c.fillStyle = this.ink;
    c.fillText(text, x, y);
  }
}
