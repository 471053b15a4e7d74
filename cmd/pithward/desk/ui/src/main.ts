import { Company } from "./company";
import { choose, show, text } from "./ask";
import { clamp } from "./coords";
import { crop } from "./crop";
import { dim, dimIfKept } from "./dim";
import { Drawing } from "./drawing";
import { Edges } from "./edges";
import { byId, element } from "./element";
import { list, listen, type Action } from "./keys";
import type { CoreLine, CoreView, Edit, InTime, Open, Point, Project, Ring, Scan, Suspect } from "./model";
import * as server from "./server";
import { press, tray } from "./tray";
import { Widths } from "./widths";
import { Wood, type Preview } from "./wood";

const wood = new Wood(byId("wood"));
const widths = new Widths(byId("widths"), byId("leaders"), wood);
const company = new Company(byId("company"), widths);
const trayView = byId("tray-view");
const coreView = byId("core-view");
const trouble = byId("trouble");
const selectedWords = byId("selected");

let project: Project;
let scan: Scan | null = null;
let view: CoreView | null = null;
let mode: "look" | "add" | "gap" | "obscured" | "radius" = "look";
let from: Point | null = null; // where a gap or obscured stretch begins
let drawing: Drawing | null = null; // of a radius
let pointer: Point = [0, 0]; // on the radius
let snapped = ""; // the candidate that the pointer has snapped to
let asked = 0; // counts previews: what the picture answers to an earlier one is too late
let edges: Edges | null = null; // of the core in view
let edgesOf = "";
let inTime: InTime | null = null; // the core in view beside the other trees
let askingTime = 0;
let tried = ""; // what was tried last, until something else is looked at
let settledTarget = ""; // the doubt that is being looked at

const outbox = new server.Outbox(
  (v) => {
    if (v.core && view && v.core.uid === view.core.uid) take(v);
    else if (v.core) void refresh();
    else void showTray();
  },
  (why, dropped) => {
    const more = dropped > 1 ? ` ${dropped} edits were not stored.` : "";
    say(why.code === "stale" ? `This core was changed in another tab. Here it is as it is now; your last edit was not stored.${more}` : `Not done: ${why.message}.${more}`);
    void reload();
  },
  (waiting) => {
    if (waiting === null) {
      if (trouble.dataset.kind === "lost") quiet();
      return;
    }
    say(`The desk's program cannot be reached. ${waiting} edit${waiting === 1 ? " waits" : "s wait"} here and will be sent when it is back.`, "lost");
  },
);

function say(words: string, kind = "said"): void {
  trouble.textContent = words;
  trouble.dataset.kind = kind;
  trouble.hidden = false;
}

function quiet(): void {
  trouble.hidden = true;
  trouble.textContent = "";
}

// refresh reads the project anew and shows the tray, or what of it has changed.
async function refresh(): Promise<void> {
  try {
    project = await server.project();
  } catch (e) {
    say(e instanceof server.Refused ? e.message : "The desk's program cannot be reached.", "lost");
    setTimeout(() => void refresh(), 1000);
    return;
  }
  if (trouble.dataset.kind === "lost" && outbox.waiting === 0) quiet();
  byId("who").textContent = project.observer;
  const cores = project.scans.flatMap((s) => s.cores);
  const [done, all] = [cores.reduce((n, c) => n + c.settled, 0), cores.reduce((n, c) => n + c.doubtful, 0)];
  byId("progress").textContent = `${done} of ${all} doubts settled`;
  if (view && scan) {
    scan = project.scans.find((s) => s.run === view?.run) ?? scan;
    if (!coreView.hidden) await wood.show(view, scan);
  } else {
    byId("title").textContent = project.name;
  }
  if (!trayView.hidden && !trayView.querySelector("[data-picking]"))
    trayView.replaceChildren(
      ...tray(project, {
        open: (s, c) => void openCore(s, c.uid),
        back: (s, c) => outbox.send(s.run, c.uid, c.revision, "undo", { kind: "" }),
        scale: (s) => void correctScale(s),
        draw: (s, path) => void addCore(s, path),
        second: (s, c) => void takeSecond(s, c.uid),
        undo: (s, way) => void onScan(() => server.scanBack(s.run, s.revision, way)),
      }),
    );
  if (project.scans.some((s) => ["waiting", "measuring"].includes(s.status) || (s.status === "measured" && !s.tiles && !s.error))) setTimeout(() => void refresh(), 700);
}

async function showTray(): Promise<void> {
  view = null;
  coreView.hidden = true;
  trayView.hidden = false;
  document.title = "pithward desk";
  await refresh();
  trayView.querySelector<HTMLElement>(".core-name")?.focus();
}

async function openCore(s: Scan, uid: string, at?: { at_px: number; zoom: number }): Promise<void> {
  scan = s;
  stop();
  try {
    view = await server.core(s.run, uid);
  } catch (e) {
    say(`The core cannot be shown: ${(e as Error).message}`);
    return showTray();
  }
  trayView.hidden = true;
  coreView.hidden = false;
  wood.selected = "";
  settledTarget = "";
  await wood.show(view, scan);
  take(view);
  if (at && at.zoom > 0) wood.go(at.at_px, at.zoom, true);
  else nextDoubt(1);
  byId("wood").focus();
}

async function reload(): Promise<void> {
  if (!view || !scan) return refresh();
  try {
    take(await server.core(view.run, view.core.uid));
  } catch {
    await showTray();
  }
}

// take shows a core as the server has it.
function take(v: CoreView): void {
  if (!scan) return;
  view = v;
  const has = [...v.core.boundaries, ...v.core.candidates].some((b) => b.id === wood.selected);
  if (!has) wood.selected = "";
  void wood.show(v, scan);
  const of = `${v.run} ${v.core.uid} ${v.core.wood} ${JSON.stringify(v.core.path_px)} ${scan.tiles}`;
  if (of !== edgesOf) [edges, edgesOf] = [new Edges(scan, wood.radius, wood.sides, v.core.wood), of];
  numbers(v);
  doubts(v);
  notes(v);
  describe();
  lookInTime(v);
  byId("title").textContent = v.core.id;
  document.title = `${v.core.id} · pithward desk`;
  [coreView.dataset.core, coreView.dataset.edits] = [v.core.uid, `${v.undo}`];
  (byId("undo") as HTMLButtonElement).disabled = v.undo === 0;
  (byId("redo") as HTMLButtonElement).disabled = v.redo === 0;
}

// progress says how far one is with the doubts of a core.
function progress(v: CoreView, open: Open[]): string {
  const told = open.filter((o) => o.suspect).length;
  const parts = [...(v.state.doubtful > 0 ? [`${v.state.settled} of ${v.state.doubtful} doubts settled`] : []), ...(told > 0 ? [`${told} raised by the other trees`] : [])];
  return parts.join(", ") || "no doubts here";
}

// lookInTime asks how the core stands beside the other trees, once edits pause.
function lookInTime(v: CoreView): void {
  if (inTime && inTime.core !== v.core.uid) inTime = null;
  company.show(inTime);
  if (inTime?.revision === v.revision && inTime.run === v.run) return;
  clearTimeout(askingTime);
  askingTime = window.setTimeout(async () => {
    try {
      const t = await server.inTime(v.run, v.core.uid);
      if (view?.core.uid !== v.core.uid) return;
      inTime = t;
      const same = current() ? undefined : openDoubts().find((o) => o.target !== "" && o.target === settledTarget);
      if (same) settledTarget = nameOf(same); // the trees' word on the doubt that is being looked at
      company.show(t);
      numbers(view);
      doubts(view);
      wood.draw();
    } catch {
      // It is seen beside the others again after the next edit.
    }
  }, timePauseMS);
}

const timePauseMS = 250;

// openDoubts lists what the picture and the other trees leave in doubt, the
// costliest first. Where both doubt one place, the trees' word stands.
function openDoubts(): Open[] {
  if (!view) return [];
  const there = new Set([...view.core.boundaries, ...view.core.candidates].map((b) => b.id));
  const told = (inTime?.core === view.core.uid ? inTime.suspects : []).filter((s) => !s.place || there.has(s.place)).map(asDoubt);
  const open = view.state.open.filter((o) => !told.some((t) => t.target !== "" && t.target === o.target));
  return [...open, ...told].sort((a, b) => b.cost - a.cost);
}

function asDoubt(s: Suspect): Open {
  const hidden = s.hidden_boundaries ?? 0;
  const what = hidden > 1 ? `${hidden} rings in the hidden wood` : hidden === 1 ? "Ring in the hidden wood" : { missed: "Missed ring", invented: "Invented ring", absent: "Absent ring" }[s.kind];
  const dated = view?.core.rings.some((r) => r.year !== null);
  const years = !dated ? "" : s.from_year === s.to_year ? ` ${s.year}` : ` ${s.from_year}–${s.to_year}`;
  return { target: s.place ?? "", kind: "suspect", point_px: s.point_px, at_mm: s.at_mm, probability: s.posterior, cost: s.cost, detail: `${what}?${years}`, suspect: s };
}

// nameOf tells doubts apart.
function nameOf(o: Open): string {
  return o.suspect ? `time ${o.suspect.kind} ${o.target} ${o.suspect.year}` : o.target;
}

// current is the doubt that is being looked at.
function current(): Open | undefined {
  return settledTarget === "" ? undefined : openDoubts().find((o) => nameOf(o) === settledTarget);
}

// tryTold makes the change that the other trees ask for; undo takes it back.
function tryTold(): void {
  const o = current()?.suspect ? current() : openDoubts().find((x) => x.suspect);
  const s = o?.suspect;
  if (!o || !s) return;
  const why = `the other trees: ${s.words}`;
  const change: Edit | null =
    s.kind === "invented" ? { kind: "remove", target: o.target, why } : s.kind === "absent" ? { kind: "absent", target: o.target, why } : o.target ? { kind: "accept", target: o.target, why } : s.point_px ? { kind: "add", point_px: s.point_px, why } : null;
  if (!change) return;
  visit(o);
  if ((s.hidden_boundaries ?? 0) > 1) {
    tried = "Nobody can see where these boundaries are: set them by hand (i), or leave the wood obscured.";
    return describe();
  }
  edit(change, true);
  tried = `Tried: ${s.words}. u takes it back.`;
  describe();
}

function numbers(v: CoreView): void {
  const c = v.core;
  const expected = c.expected_count === null ? "–" : c.expected_count.toFixed(1) + (c.count_standard_deviation === null ? "" : ` ± ${c.count_standard_deviation.toFixed(1)}`);
  const item = (name: string, value: string) => element("div", {}, element("dt", {}, name), element("dd", {}, value));
  byId("numbers").replaceChildren(
    item("State", v.state.stage + (v.state.why ? `: ${v.state.why}` : "") + (v.state.blank ? ", by hand" : "")),
    item("Rings", `${c.rings.length}`),
    item("Expected", expected),
    item("Years", v.years),
    item("Mean width", v.mean_mm === null ? "–" : `${v.mean_mm.toFixed(3)} mm`),
    item("Wood", c.wood ?? "–"),
    item("Bark", c.bark_present ? "there" : "not seen"),
    item("Pith", c.pith_present ? "there" : "not seen"),
    ...(c.second_radius ? [item("Beyond the pith", `${c.second_radius.rings.length} rings`)] : []),
    ...(inTime?.core === c.uid && inTime.r !== null ? [item(`Beside ${inTime.trees} other tree${inTime.trees === 1 ? "" : "s"}`, `r ${inTime.r.toFixed(2)}`)] : []),
  );
}

// doubts lists what is to be settled, the costliest first, each with its wood.
function doubts(v: CoreView): void {
  const open = openDoubts();
  byId("progress").textContent = progress(v, open);
  byId("doubt-count").textContent = v.state.doubtful === 0 && open.length === 0 ? "none" : `${open.length} open`;
  byId("try").hidden = !open.some((o) => o.suspect);
  const list = byId("doubt-list");
  list.replaceChildren(
    ...open.map((o) => {
      const canvas = element("canvas", { "aria-hidden": "true" }) as HTMLCanvasElement;
      const place = o.at_mm === null ? "" : `${o.at_mm.toFixed(2)} mm`;
      const go = element("button", { type: "button", "data-target": nameOf(o) }, o.point_px ? canvas : "", element("span", { class: "what" }, o.detail), o.suspect ? element("span", { class: "change" }, changeWords(o.suspect)) : "", element("span", { class: "where" }, place, " ", element("span", { class: "cost" }, `${o.cost.toFixed(1)} rings at stake`)));
      if (nameOf(o) === settledTarget) go.setAttribute("aria-current", "true");
      go.addEventListener("click", () => visit(o));
      return element("li", {}, go);
    }),
  );
  if (open.length === 0) list.append(element("li", { class: "none" }, v.state.doubtful === 0 ? "Nothing here is in doubt." : "All settled. Sign the core off with s."));
  requestAnimationFrame(() => {
    if (!scan || view !== v) return;
    for (const b of list.querySelectorAll<HTMLElement>("button")) {
      const o = open.find((x) => nameOf(x) === b.dataset.target);
      const canvas = b.querySelector("canvas");
      if (o?.point_px && canvas) void crop(canvas, scan, o.point_px, (wood.flipped ? 0 : 180) - wood.radius.chord, cropZoom(v), claim(o));
    }
  });
  list.querySelector('[aria-current="true"]')?.scrollIntoView({ block: "nearest" });
}

// changeWords says what settling a suspect would change.
function changeWords(s: Suspect): string {
  const picture = s.picture_probability === null ? "" : `, picture ${s.picture_probability.toFixed(2)}`;
  const fewest = 3; // years that an r can be told from
  const agree = s.agree_to_year - s.agree_from_year + 1 < fewest ? "" : `${s.agree_from_year}–${s.agree_to_year} would agree: r ${s.r_before.toFixed(2)} to ${s.r_after.toFixed(2)}. `;
  const posterior = s.posterior > 0.99 ? "above 0.99" : s.posterior.toFixed(2); // nothing is certain
  return `${agree}Probability ${posterior}${picture}`;
}

// cropZoom makes all crops 3.6 mm wide, or 170 px where there is no scale.
function cropZoom(v: CoreView): number {
  const mm = v.mm_per_px;
  return mm ? (170 * mm[0]) / 3.6 : 1;
}

// claim marks the place that a crop is about, at its edges alone.
function claim(o: Open): (c: CanvasRenderingContext2D) => void {
  return (c) => {
    c.setTransform(window.devicePixelRatio, 0, 0, window.devicePixelRatio, 0, 0);
    const [w, h] = [c.canvas.clientWidth, c.canvas.clientHeight];
    const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
    for (const [colour, width] of [["#fbfaf6", 5], [ink, 2]] as const) {
      c.strokeStyle = colour;
      c.lineWidth = width;
      c.setLineDash(o.kind === "candidate" || o.suspect?.kind === "missed" ? [2, 3] : []);
      c.beginPath();
      c.moveTo(w / 2, 0);
      c.lineTo(w / 2, 10);
      c.moveTo(w / 2, h);
      c.lineTo(w / 2, h - 10);
      c.stroke();
    }
  };
}

function notes(v: CoreView): void {
  const all = v.state.notes.map((n) => element("li", {}, n.text));
  byId("note-list").replaceChildren(...(all.length > 0 ? all : [element("li", { class: "none" }, "None yet.")]));
  byId("note-list").append(...v.core.warnings.map((w) => element("li", { class: "heed" }, w)));
}

// describe says what is selected, for eyes and screen readers.
function describe(): void {
  if (!view) return;
  byId("setting").hidden = mode === "look";
  byId("place").hidden = byId("drop").hidden = mode !== "radius";
  const c = view.core;
  if (mode === "look" && tried) {
    selectedWords.textContent = tried;
    return;
  }
  if (mode === "add") {
    selectedWords.textContent = `Adding: ${wood.preview?.words ?? ""}. n and p find evidence.`;
    return;
  }
  if (mode === "gap" || mode === "obscured") {
    selectedWords.textContent = from ? `To where does the ${mode === "gap" ? "gap" : "obscured stretch"} reach?` : `Where does the ${mode === "gap" ? "gap" : "obscured stretch"} begin?`;
    return;
  }
  if (mode === "radius") {
    selectedWords.textContent = drawing && drawing.held >= 0 ? "Arrows carry the place; Space puts it down." : `New radius, ${drawing?.places.length ?? 0} places: a click or Space sets one, or takes it up.`;
    return;
  }
  const i = c.boundaries.findIndex((b) => b.id === wood.selected);
  const x = c.candidates.find((k) => k.id === wood.selected);
  if (i >= 0) {
    const b = c.boundaries[i];
    const words = [c.rings[i - 1], c.rings[i]].filter((r) => r !== undefined).map(ringWords);
    const between = b.kind === "ring" && words.length === 2 ? `, between ${words.join(" and ")}` : words.length > 0 ? `, beside ${words.join(" and ")}` : "";
    selectedWords.textContent = `${b.kind === "ring" ? "Boundary" : b.kind === "outer" ? "Outer end" : "Pith"}${b.at_mm === null ? "" : ` at ${b.at_mm.toFixed(3)} mm`}, ${b.source === "person" ? "set by you" : `${Math.round(100 * b.probability)} % sure`}${between}`;
  } else if (x) {
    selectedWords.textContent = `Not taken for a boundary${x.at_mm === null ? "" : `, at ${x.at_mm.toFixed(3)} mm`}: ${Math.round(100 * x.probability)} % that one is here`;
  } else {
    selectedWords.textContent = settledTarget === "wood" || settledTarget === "bark-end" ? (current()?.detail ?? "") : "Nothing is selected: n goes to the next doubt, a click selects.";
  }
}

function ringWords(r: Ring): string {
  const width = r.width_mm === null ? "no width" : `${r.width_mm.toFixed(3)} mm${r.standard_uncertainty_mm === null ? "" : ` ± ${r.standard_uncertainty_mm.toFixed(3)}`}`;
  return `${r.year ?? `ring ${r.index}`} (${[width, ...r.flags].join(", ")})`;
}

// places lists boundaries and, if there is one selected, candidates from bark to pith.
function places(): { id: string; p: Point }[] {
  if (!view) return [];
  const seen = view.state.blank ? [] : view.core.candidates.filter((x) => x.probability > 0.2 || x.id === wood.selected);
  return [...view.core.boundaries, ...seen].map((b) => ({ id: b.id, p: b.point_px })).sort((a, b) => wood.radius.at(a.p) - wood.radius.at(b.p));
}

const closeMM = 9; // across the pane when a doubt is visited, mm

function visit(o: Open): void {
  stop();
  settledTarget = nameOf(o);
  wood.selected = o.point_px ? o.target : "";
  if (o.point_px && view) {
    const mm = view.mm_per_px?.[0] ?? 0.02;
    wood.go(wood.radius.at(o.point_px), Math.max(wood.zoom, byId("wood").clientWidth / (closeMM / mm)));
  }
  markCurrent();
  describe();
  wood.draw();
}

// lookAt shows a place close by, and selects what is there.
function lookAt(id: string, p: Point): void {
  if (!view) return;
  wood.go(wood.radius.at(p), Math.max(wood.zoom, byId("wood").clientWidth / (closeMM / (view.mm_per_px?.[0] ?? 0.02))));
  if ([...view.core.boundaries, ...view.core.candidates].some((x) => x.id === id)) {
    wood.selected = id; // so that it is listed, however improbable
    select(id, false);
  } else {
    select("", false);
    selectedWords.textContent = "This is the place; your reading has no boundary here.";
  }
}

// markCurrent shows in the list which doubt is being looked at.
function markCurrent(): void {
  for (const b of byId("doubt-list").querySelectorAll<HTMLElement>("button")) {
    if (b.dataset.target === settledTarget) {
      b.setAttribute("aria-current", "true");
      b.scrollIntoView({ block: "nearest" });
    } else b.removeAttribute("aria-current");
  }
}

// nextEvidence moves what is being added to the next place that evidence speaks
// for and no boundary holds, inward (1) or outward.
function nextEvidence(step: 1 | -1): void {
  if (!view) return;
  const at = wood.radius.at(pointer);
  const all = view.core.candidates.map((x) => wood.radius.at(x.point_px)).filter((x) => (x - at) * step > 0.5);
  if (all.length > 0) return goPreview(step > 0 ? Math.min(...all) : Math.max(...all));
  nextEdge(at, step);
}

// nextEdge moves on to the next edge in the picture, where the reading lists
// nothing more.
function nextEdge(at: number, step: 1 | -1): void {
  const reach = snapPx / wood.zoom;
  const begun = ++asked;
  for (let to = at + 2 * step * reach; to > 0 && to < wood.radius.length; to += step * reach) {
    const e = edges?.near(to, reach, tiltNear(to), taken(), () => {
      if (asked === begun) nextEdge(to - 2 * step * reach, step);
    });
    if (e === undefined) return;
    if (e) return goPreview(e.at);
  }
}

function goPreview(at: number): void {
  const to = wood.radius.point(at);
  const x = wood.paneX(to);
  if (x < 40 || x > byId("wood").clientWidth - 40) wood.go(at, wood.zoom);
  previewAt(to, true);
}

function nextDoubt(step: 1 | -1): void {
  if (mode === "add") return nextEvidence(step);
  if (drawing) {
    drawing.go(step);
    return previewAt(drawing.cursor, false);
  }
  const open = openDoubts();
  if (!view || open.length === 0) return;
  const i = open.findIndex((o) => nameOf(o) === settledTarget);
  visit(open[i < 0 ? 0 : (i + step + open.length) % open.length]);
}

function select(id: string, follow: boolean): void {
  wood.selected = id;
  tried = "";
  const doubt = openDoubts().find((o) => o.target === id);
  settledTarget = doubt ? nameOf(doubt) : "";
  markCurrent();
  const place = places().find((b) => b.id === id);
  if (follow && place) {
    const x = wood.paneX(place.p);
    if (x < 60 || x > byId("wood").clientWidth - 60) wood.go(wood.radius.at(place.p), wood.zoom);
  }
  describe();
  wood.draw();
}

// step selects the next boundary to the left or right on the screen, or moves
// what is being set.
function step(right: boolean, px: number): void {
  if (drawing) return carry(right ? px : -px, 0);
  const inward = right === wood.flipped; // unflipped, bark is to the right
  if (mode !== "look") {
    pointer = wood.radius.point(clamp(wood.radius.at(pointer) + (inward ? px : -px), 0, wood.radius.length));
    previewAt(pointer, false);
    return;
  }
  const all = places();
  if (all.length === 0) return;
  const i = all.findIndex((b) => b.id === wood.selected);
  const at = wood.middle();
  const near = all.reduce((best, b, k) => (Math.abs(wood.radius.at(b.p) - at) < Math.abs(wood.radius.at(all[best].p) - at) ? k : best), 0);
  select(all[i < 0 ? near : clamp(i + (inward ? 1 : -1), 0, all.length - 1)].id, true);
}

// carryPx is how far an arrow moves the cursor of a radius, on the screen.
const carryPx = 4;

// carry moves the cursor of a radius that is being drawn.
function carry(right: number, down: number): void {
  if (!drawing) return;
  drawing.moveTo(wood.onPane(drawing.cursor, right * carryPx, down * carryPx));
  previewAt(drawing.cursor, false);
}

function nudge(right: boolean, px: number): void {
  const b = view?.core.boundaries.find((x) => x.id === wood.selected);
  if (mode !== "look") return step(right, 10);
  if (!b) return;
  const at = clamp(wood.radius.at(b.point_px) + (right === wood.flipped ? px : -px), 0, wood.radius.length);
  edit({ kind: "move", target: b.id, point_px: wood.radius.point(at) });
}

// edit shows a decision at once and sends it.
function edit(e: Edit, stay = false): void {
  if (!view) return;
  const doubt = openDoubts().findIndex((o) => o.target !== "" && o.target === e.target);
  quietUnlessLost();
  outbox.send(view.run, view.core.uid, view.revision, "events", e);
  apply(e);
  if (doubt >= 0 && (e.kind === "accept" || e.kind === "remove")) {
    view.state.open = view.state.open.filter((o) => o.target !== e.target);
    if (inTime) inTime.suspects = inTime.suspects.filter((s) => s.place !== e.target);
    const open = openDoubts();
    const next = open[Math.min(doubt, open.length - 1)];
    doubts(view);
    if (next && !stay) visit(next);
  }
  describe();
  wood.draw();
}

function quietUnlessLost(): void {
  if (trouble.dataset.kind !== "lost") quiet();
}

// apply does here, for the moment until the server answers, what an edit does
// to a boundary.
function apply(e: Edit): void {
  if (!view) return;
  const c = view.core;
  const b = c.boundaries.find((x) => x.id === e.target);
  const k = c.candidates.findIndex((x) => x.id === e.target);
  if (e.kind === "accept" && b) [b.source, b.probability] = ["person", 1];
  if (e.kind === "accept" && k >= 0) {
    const x = c.candidates.splice(k, 1)[0];
    insert(x.point_px, x.id);
  }
  if (e.kind === "remove" && b) c.boundaries = c.boundaries.filter((x) => x !== b);
  if (e.kind === "remove" && k >= 0) c.candidates.splice(k, 1);
  if (e.kind === "add" && e.point_px) insert(wood.radius.point(wood.radius.at(e.point_px)), "new");
  if (e.kind === "move" && b && e.point_px) {
    const p = e.point_px;
    b.line_px = b.line_px.map((q) => [q[0] + p[0] - b.point_px[0], q[1] + p[1] - b.point_px[1]]);
    b.point_px = p;
    [b.source, b.probability] = ["person", 1];
  }
}

function insert(p: Point, id: string): void {
  if (!view) return;
  const at = wood.radius.at(p);
  const side = 40;
  view.core.boundaries.push({ id, kind: "ring", at_mm: null, point_px: p, line_px: [wood.radius.point(at, -side), wood.radius.point(at, side)], tilt_deg: 0, probability: 1, source: "person" });
  view.core.boundaries.sort((a, b) => wood.radius.at(a.point_px) - wood.radius.at(b.point_px));
}

function back(way: "undo" | "redo"): void {
  if (!view || (way === "undo" ? view.undo : view.redo) === 0) return;
  quietUnlessLost();
  tried = "";
  outbox.send(view.run, view.core.uid, view.revision, way, { kind: "" });
}

// start begins setting something at the middle of the pane, or where the
// pointer is.
function start(what: typeof mode): void {
  if (!view) return;
  stop();
  mode = what;
  const b = places().find((x) => x.id === wood.selected);
  pointer = b ? b.p : wood.radius.point(wood.middle());
  if (what === "radius") drawing = new Drawing(pointer, alongChord);
  previewAt(pointer, what === "add");
  byId("wood").focus();
}

// alongChord ranks the places of a new radius: from bark to pith, wherever the
// old one bends.
function alongChord(p: Point): number {
  const [a, b] = [wood.radius.path[0], wood.radius.path[wood.radius.path.length - 1]];
  return (p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1]);
}

function stop(): void {
  mode = "look";
  tried = "";
  from = null;
  drawing = null;
  asked++;
  wood.preview = null;
  describe();
  wood.draw();
}

// snapPx is how far, on the screen, evidence draws a new boundary to itself.
const snapPx = 14;

// snap finds the best evidence near a place: one that was considered and
// rejected, the more probable and the nearer the better; where the reading lists
// none, the best edge in the picture, once it has been read.
function snap(p: Point): { p: Point; words: string; id: string } {
  const none = { p, words: "no evidence near, taken as pointed", id: "" };
  if (!view) return none;
  const at = wood.radius.at(p);
  const reach = snapPx / wood.zoom;
  const held = taken();
  let best = { score: 0, ...none };
  for (const x of view.core.candidates) {
    const there = wood.radius.at(x.point_px);
    const score = x.probability * (1 - Math.abs(there - at) / reach);
    if (score > best.score && !held(there)) best = { score, p: x.point_px, id: x.id, words: `snaps to evidence, ${Math.round(100 * x.probability)} %` };
  }
  if (best.id) return best;
  const begun = asked;
  const e = edges?.near(at, reach, tiltNear(at), held, () => {
    if (asked === begun && mode === "add") previewAt(p, true);
  });
  if (e === undefined) return { p, words: "looking at the picture", id: "" };
  return e ? { p: wood.radius.point(e.at), words: `snaps to an edge in the picture, ${Math.round(100 * e.share)} % of the breadth agrees`, id: "" } : none;
}

// taken tells whether a boundary stands at a length along the radius.
function taken(): (at: number) => boolean {
  const all = view?.core.boundaries.map((b) => wood.radius.at(b.point_px)) ?? [];
  return (at) => all.some((t) => Math.abs(t - at) < takenPx);
}

const takenPx = 6; // of the scan: nearer than this, an edge is the boundary that is there

// tiltNear is how the nearest boundary or candidate leans.
function tiltNear(at: number): number {
  const all = view ? [...view.core.boundaries, ...view.core.candidates] : [];
  const away = (b: { point_px: Point }) => Math.abs(wood.radius.at(b.point_px) - at);
  return all.reduce((best, b) => (away(b) < best.away ? { away: away(b), tilt: b.tilt_deg } : best), { away: Infinity, tilt: 0 }).tilt;
}

function previewAt(p: Point, snapping: boolean): void {
  asked++;
  if (drawing) {
    wood.preview = { kind: "path", at: drawing.path, words: "", cursor: p };
  } else {
    const on = wood.radius.point(wood.radius.at(p));
    const s = snapping && mode === "add" ? snap(on) : { p: on, words: mode === "add" ? "as pointed" : "", id: "" };
    pointer = s.p;
    snapped = s.id;
    const preview: Preview = from ? { kind: "from", at: [from, pointer], words: s.words } : { kind: "boundary", at: [pointer], words: s.words };
    wood.preview = preview;
  }
  describe();
  wood.draw();
}

// setHere takes what is previewed.
async function setHere(): Promise<void> {
  if (mode === "add") {
    const e: Edit = snapped ? { kind: "accept", target: snapped } : { kind: "add", point_px: pointer };
    stop();
    edit(e);
  } else if (mode === "radius") {
    const path = drawing?.path ?? [];
    stop();
    if (path.length > 1) edit({ kind: "radius", detail: { path_px: path } });
  } else if ((mode === "gap" || mode === "obscured") && !from) {
    from = pointer;
    previewAt(pointer, false);
  } else if ((mode === "gap" || mode === "obscured") && from) {
    const [a, b, kind] = [from, pointer, mode];
    const options = kind === "gap" ? ["crack", "break", "lost"] : ["smear", "rot", "knot", "stain", "glue"];
    stop();
    const word = await choose(kind === "gap" ? "What kind of gap is it?" : "What hides the wood?", options);
    if (word) edit({ kind, point_px: a, detail: { to_px: b, word } });
  }
}

wood.onPoint = (p, how) => {
  if (!view) return;
  drawing?.moveTo(p);
  if (how === "hover") {
    if (mode !== "look") previewAt(p, true);
    return;
  }
  if (drawing) placeHere();
  else if (mode !== "look") {
    previewAt(p, true);
    void setHere();
  } else select(wood.under(p), false);
};
wood.onDrag = (target, p) => edit({ kind: "move", target, point_px: p });
widths.onRing = (i) => {
  const b = view?.core.boundaries[i + 1];
  if (b) {
    select(b.id, false);
    wood.go(wood.radius.at(b.point_px), wood.zoom);
  }
};

// placeHere sets a place of the radius at the cursor, or takes one up.
function placeHere(): void {
  drawing?.place(10 / wood.zoom);
  if (drawing) previewAt(drawing.cursor, false);
}

let placing = 0;
wood.onMove = () => {
  if (!view) return;
  widths.draw(view, wood.selected);
  company.draw(inTime?.core === view.core.uid ? inTime : null, current()?.suspect);
  clearTimeout(placing);
  delete coreView.dataset.kept;
  placing = window.setTimeout(() => {
    if (!view) return;
    // Where one stopped is a convenience: if it is not kept, nothing is lost.
    server.keepPlace({ run: view.run, core: view.core.uid, at_px: wood.middle(), zoom: wood.zoom }).then(() => (coreView.dataset.kept = "yes"), () => {});
  }, 500);
};

async function jump(): Promise<void> {
  const to = await text("Jump", "Year, or # and the ring's number from the bark, or mm", "Go");
  if (!to || !view) return;
  const c = view.core;
  const n = parseFloat(to.replace("#", ""));
  const i = to.endsWith("mm") ? -1 : c.rings.findIndex((r) => (to.startsWith("#") ? r.index === n : r.year === n));
  const mm = c.path_length_mm;
  if (i >= 0) {
    select(c.boundaries[i + 1].id, false);
    wood.go(wood.radius.at(c.boundaries[i + 1].point_px), wood.zoom);
  } else if (to.endsWith("mm") && mm && n >= 0) {
    select("", false);
    wood.go((clamp(n, 0, mm) / mm) * wood.radius.length, wood.zoom);
  } else say(`There is no ring of ${to} on this core.`);
}

async function note(): Promise<void> {
  const b = places().find((x) => x.id === wood.selected);
  const words = await text(b ? "Note on this boundary" : "Note on this core", "Note", "Keep");
  if (words) edit({ kind: "note", why: words, ...(b ? { point_px: b.p } : {}) });
}

function removeSelected(): void {
  if (drawing) {
    drawing.drop();
    previewAt(drawing.cursor, false);
  } else if (mode === "look" && wood.selected) edit({ kind: "remove", target: wood.selected });
}

function acceptSelected(): void {
  if (mode !== "look") void setHere();
  else if (wood.selected) edit({ kind: "accept", target: wood.selected });
  else if (settledTarget && !current()?.suspect) edit({ kind: "accept", target: settledTarget });
}

async function byHand(): Promise<void> {
  if (!view) return;
  if (await show("Measure this core by hand?", [element("p", {}, "The boundaries read from the picture are set aside, as evidence to snap to. Undo brings them back.")], "Set aside")) edit({ kind: "blank" });
}

// more offers what is decided seldom.
async function more(): Promise<void> {
  if (!view) return;
  const ask: Record<string, () => Promise<Edit | null>> = {
    "The core's id": async () => worded("id", await text("The core's id", "Id", "Take", view?.core.id)),
    "Year of the outermost complete ring": async () => {
      const y = await text("Year of the outermost complete ring", "Year (empty: not known)", "Take");
      return y === null ? null : { kind: "outer-year", detail: y === "" ? {} : { year: parseInt(y, 10) } };
    },
    "Kind of wood": async () => worded("wood", await choose("Kind of wood", ["conifer", "ring-porous", "diffuse-porous"])),
    "Bark is there": async () => ({ kind: "bark", detail: { yes: true } }),
    "No bark is there": async () => ({ kind: "bark", detail: { yes: false } }),
    "Pith is there": async () => ({ kind: "pith", detail: { yes: true } }),
    "No pith is there": async () => ({ kind: "pith", detail: { yes: false } }),
    "Bark and pith end change places": async () => ({ kind: "reverse" }),
    "Split: here two cores meet": async () => ({ kind: "split", point_px: here() }),
    "Join: it goes on, inward, in another": join,
    ...(view.core.second_radius ? { "Take up the second radius as a core": async () => (scan && view && void takeSecond(scan, view.core.uid), null) } : {}),
    "Measure only what is shown": async () => ({ kind: "only", point_px: wood.radius.point(wood.shown()[0]), detail: { to_px: wood.radius.point(wood.shown()[1]) } }),
    "Take off: this is no core": async () => ({ kind: "delete-core", target: view?.core.id }),
    "Reject the core": async () => {
      const why = await text("Reject the core", "Why", "Reject");
      return why ? { kind: "reject", why } : null;
    },
  };
  const what = await choose("More about this core", Object.keys(ask));
  const e = what ? await ask[what]() : null;
  if (e) edit(e);
}

// join asks which core this one goes on in, and what lies between.
async function join(): Promise<Edit | null> {
  const others = scan?.cores.filter((c) => c.uid !== view?.core.uid) ?? [];
  const id = await choose("It goes on, inward, in", others.map((c) => c.id));
  const word = id ? await choose("Between them is a", ["break", "crack", "lost"]) : null;
  const other = others.find((c) => c.id === id);
  return word && other ? { kind: "join", target: other.uid, detail: { word } } : null;
}

async function correctScale(s: Scan): Promise<void> {
  const words = await text("Correct the scale", "Pixels an inch (one number, or two: along x and y)", "Take");
  const dpi = (words ?? "").split(/[ ,;]+/).map(Number).filter((n) => n > 0);
  if (dpi.length === 0) return;
  await onScan(() => server.scanEdit(s.run, s.revision, { kind: "scale", detail: { mm_per_px: [25.4 / dpi[0], 25.4 / (dpi[1] ?? dpi[0])] } }));
}

// onScan does something about a scan as a whole and shows what came of it.
async function onScan(act: () => Promise<unknown>): Promise<void> {
  quietUnlessLost();
  try {
    await act();
  } catch (e) {
    say(`Not done: ${(e as Error).message}`);
  }
  await refresh();
}

async function addCore(s: Scan, path: Point[]): Promise<void> {
  const word = await choose("What wood is it?", ["conifer", "ring-porous", "diffuse-porous"]);
  if (!word) return;
  await onScan(() => server.scanEdit(s.run, s.revision, { kind: "add-core", detail: { path_px: path, word } }));
}

// takeSecond makes a core of what was read beyond the pith of another.
async function takeSecond(s: Scan, uid: string): Promise<void> {
  await onScan(() => server.scanEdit(s.run, s.revision, { kind: "add-core", target: uid }));
  if (view?.core.uid === uid) await showTray();
}

// here is the selected place, or the middle of what is shown.
function here(): Point {
  return places().find((b) => b.id === wood.selected)?.p ?? wood.radius.point(wood.middle());
}

function worded(kind: string, word: string | null): Edit | null {
  return word ? { kind, detail: { word } } : null;
}

function otherCore(by: 1 | -1): void {
  if (!view || !scan) return;
  const all: CoreLine[] = scan.cores;
  const i = all.findIndex((c) => c.uid === view?.core.uid);
  const next = all[i + by];
  if (next) void openCore(scan, next.uid);
}

const inCore: Action[] = [
  { id: "next", keys: ["n"], words: "next doubt, the costliest first; next evidence, or next place of a radius", do: () => nextDoubt(1) },
  { id: "previous", keys: ["p"], words: "previous doubt; previous evidence, or place of a radius", do: () => nextDoubt(-1) },
  { id: "accept", keys: ["a", "Enter"], words: "accept: this is a boundary; take what is previewed", do: acceptSelected },
  { id: "remove", keys: ["x", "Delete"], words: "remove: this is no boundary; the nearest place of a radius being drawn", do: removeSelected },
  { id: "add", keys: ["i"], words: "add a boundary, snapping to the best evidence near", do: () => start("add") },
  { id: "", keys: ["ArrowLeft"], show: "← →", words: "next boundary; moves what is being set", do: () => step(false, 1) },
  { id: "", keys: ["ArrowRight"], words: "", do: () => step(true, 1) },
  { id: "", keys: ["ArrowUp"], show: "↑ ↓", words: "move a radius being drawn (Shift: further)", when: () => drawing !== null, do: () => carry(0, -1) },
  { id: "", keys: ["ArrowDown"], words: "", when: () => drawing !== null, do: () => carry(0, 1) },
  { id: "", keys: ["Shift+ArrowUp"], words: "", when: () => drawing !== null, do: () => carry(0, -10) },
  { id: "", keys: ["Shift+ArrowDown"], words: "", when: () => drawing !== null, do: () => carry(0, 10) },
  { id: "place", keys: [" "], words: "set a place of the radius, take one up, put it down", when: () => drawing !== null, do: placeHere },
  { id: "take", keys: [], words: "", do: () => void setHere() },
  { id: "drop", keys: [], words: "", do: removeSelected },
  { id: "", keys: ["Shift+ArrowLeft"], show: "Shift+← →", words: "nudge the boundary a px; moves what is being set further", do: () => nudge(false, 1) },
  { id: "", keys: ["Shift+ArrowRight"], words: "", do: () => nudge(true, 1) },
  { id: "try", keys: ["y"], words: "try what the other trees suspect; undo takes it back", do: tryTold },
  { id: "gap", keys: ["g"], words: "gap: a crack, break or lost wood", do: () => start("gap") },
  { id: "obscured", keys: ["o"], words: "obscured wood: smear, rot, knot, stain, glue", do: () => start("obscured") },
  { id: "absent", keys: ["b"], words: "absent ring, inward of the selected boundary", do: () => wood.selected && edit({ kind: "absent", target: wood.selected }) },
  { id: "note", keys: ["c"], words: "note on the selected place, or on the core", do: () => void note() },
  { id: "undo", keys: ["u", "Ctrl+z"], words: "undo, without limit", do: () => back("undo") },
  { id: "redo", keys: ["r", "Ctrl+Shift+z", "Ctrl+y"], words: "redo", do: () => back("redo") },
  { id: "jump", keys: ["j"], words: "jump to a year, ring or mm", do: () => void jump() },
  { id: "flip", keys: ["f"], words: "flip: bark to the other side", do: () => { wood.flip(); if (view) doubts(view); } },
  { id: "whole", keys: ["0"], words: "show the whole core", do: () => wood.whole() },
  { id: "closer", keys: ["+", "="], show: "+ -", words: "closer, further off", do: () => wood.zoomBy(1.5) },
  { id: "further", keys: ["-"], words: "", do: () => wood.zoomBy(1 / 1.5) },
  { id: "radius", keys: ["d"], words: "redraw the radius", do: () => start("radius") },
  { id: "blank", keys: ["m"], words: "measure by hand from a blank core", do: () => void byHand() },
  { id: "more", keys: [","], words: "more: id, outer year, wood, bark, pith, ends, reject", do: () => void more() },
  { id: "sign", keys: ["s"], words: "sign the core off", do: () => edit({ kind: "sign-off" }) },
  { id: "above", keys: ["["], show: "[ ]", words: "core above, below on the tray", do: () => otherCore(-1) },
  { id: "below", keys: ["]"], words: "", do: () => otherCore(1) },
  { id: "leave", keys: ["Escape"], words: "leave what is being set", do: stop },
];

const always: Action[] = [
  { id: "to-tray", keys: ["t"], words: "the tray", do: () => void showTray() },
  { id: "to-audit", keys: ["q"], words: "the audit: every place, what was read and what people made of it", do: () => location.assign(view ? `/audit?core=${encodeURIComponent(view.core.uid)}` : "/audit") },
  { id: "help", keys: ["?"], words: "this list", do: () => void help() },
  { id: "dim", keys: ["v"], words: "a dim ground for dark rooms", do: () => { dim(); wood.draw(); } },
];

const onTray: Action[] = [
  { id: "", keys: ["i"], words: "tray: add a core that was not found, by its radius", do: () => press("i") },
  { id: "", keys: ["k"], words: "tray: correct the scale", do: () => press("k") },
  { id: "", keys: ["u", "Ctrl+z"], words: "tray: undo a scale or a new core", do: () => press("u") },
  { id: "", keys: ["r", "Ctrl+Shift+z", "Ctrl+y"], words: "tray: redo it", do: () => press("r") },
];

async function help(): Promise<void> {
  const mouse = "Tab: from button to button. Wheel: closer and further off. Drag: move along. Drag a selected boundary: move it. Click on a width: go to its ring. Every edit is stored as it is made.";
  await show("Keys", [list([...always, ...inCore, ...onTray]), element("p", {}, mouse)], null);
}

listen([...inCore, ...always], () => [...always, ...(view ? inCore : onTray)]);

window.addEventListener("resize", () => wood.draw());

dimIfKept();
byId("wood").tabIndex = 0;
trayView.hidden = false;
await refresh();
void outbox.work();
const place = project!?.place;
const last = place ? project!.scans.find((s) => s.run === place.run && s.cores.some((c) => c.uid === place.core)) : undefined;
// The audit names a place as #run/core/target/x/y, or the tray as #tray.
const [run, uid, target, x, y] = location.hash.slice(1).split("/").map(decodeURIComponent);
const named = project!.scans.find((s) => `${s.run}` === run && s.cores.some((c) => c.uid === uid));
if (named) {
  history.replaceState(null, "", "/"); // so that a reload goes on where one is then
  await openCore(named, uid);
  lookAt(target, [Number(x), Number(y)]);
} else if (place && last && location.hash !== "#tray") await openCore(last, place.core, place);
