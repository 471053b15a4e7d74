// The students' page: join, measure a core from nothing, hand in, and later see
// what became of it. The wood is the desk's; what the program thinks of it is not
// here, nor does anything snap.
import { choose, show, text } from "./ask";
import type { Me, Result } from "./class_model";
import { clamp } from "./coords";
import { crop } from "./crop";
import { dim, dimIfKept } from "./dim";
import { Drawing } from "./drawing";
import { byId, element } from "./element";
import { list, listen, type Action } from "./keys";
import type { Boundary, CoreView, Edit, Picture, Point } from "./model";
import * as server from "./server";
import { Widths } from "./widths";
import { Wood } from "./wood";

const wood = new Wood(byId("wood"));
const widths = new Widths(byId("widths"), byId("leaders"), wood);
const trouble = byId("trouble");
const selectedWords = byId("selected");
const everyMS = 5000; // how often the page asks whether the exercise is open still

let me: Me | null = null;
let ahead = 0; // of the server's clock before this machine's, ms
let scan: Picture | null = null;
let view: CoreView | null = null;
let feedback: Result | null = null;
let chosenFault = -1;
let mode: "look" | "add" | "gap" | "radius" = "look";
let from: Point | null = null; // where a gap begins
let drawing: Drawing | null = null; // of a radius
let pointer: Point = [0, 0]; // on the radius

const outbox = new server.Outbox(
  (v) => take(v),
  (why, dropped) => {
    const more = dropped > 1 ? ` ${dropped} edits were not stored.` : "";
    say(why.code === "stale" ? `Your work was changed in another tab. Here it is as it is now; your last edit was not stored.${more}` : `Not done: ${why.message}.${more}`);
    void reload();
  },
  (waiting) => {
    if (waiting === null) {
      if (trouble.dataset.kind === "lost") quiet();
    } else if (waiting > 2) say(`${waiting} edits wait to be stored, and will be as soon as the class's program answers. Keep this page open.`, "lost");
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

const mayEdit = () => me?.phase === "open" && view !== null;

// Joining.

async function enter(path: string, body: Record<string, string>): Promise<void> {
  quiet();
  try {
    await arrive(await server.ask<Me>("POST", path, body));
  } catch (e) {
    say(e instanceof server.Refused ? sentence(e.message) : "The class's program cannot be reached: are you in the right network?");
  }
}

function sentence(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1) + ".";
}

byId("join").addEventListener("submit", (e) => {
  e.preventDefault();
  void enter("/api/join", { name: byId<HTMLInputElement>("name").value, code: byId<HTMLInputElement>("code").value });
});
byId("return").addEventListener("submit", (e) => {
  e.preventDefault();
  void enter("/api/return", { name: "", code: byId<HTMLInputElement>("pass").value });
});

function door(): void {
  me = view = feedback = null;
  byId("core-view").hidden = true;
  byId("join-view").hidden = false;
  for (const id of ["dim", "help", "leave-class"]) byId(id).hidden = true;
  byId("title").textContent = "pithward class";
  byId("who").textContent = byId("progress").textContent = "";
  byId<HTMLInputElement>("name").focus();
}

async function leaveClass(): Promise<void> {
  if (!me) return;
  const words = `All you set is stored. To come back, here or elsewhere, you need your own code: ${me.pass}`;
  if (!(await show("Leave the class?", [element("p", {}, words)], "Leave"))) return;
  await server.ask("POST", "/api/leave", {}).catch(() => {}); // the session is gone, or will be asked for again
  sessionStorage.clear();
  for (const id of ["name", "code", "pass"]) byId<HTMLInputElement>(id).value = "";
  door();
}

// The exercise.

async function arrive(now: Me): Promise<void> {
  const before = me;
  me = now;
  ahead = Date.parse(now.now) - Date.now();
  byId("join-view").hidden = true;
  byId("core-view").hidden = false;
  for (const id of ["dim", "help", "leave-class"]) byId(id).hidden = false;
  byId("title").textContent = now.exercise;
  byId("who").textContent = now.name;
  document.title = `${now.exercise} · pithward class`;
  scan = { width_px: now.width_px, height_px: now.height_px, tiles: now.tiles };
  if (now.phase !== "open" && mode !== "look") stop();
  for (const e of document.querySelectorAll<HTMLElement>(".editing")) e.hidden = now.phase !== "open";
  if (now.phase !== "not open yet" && (!view || before?.phase !== now.phase || before?.tiles !== now.tiles)) await reload();
  if (now.feedback && !feedback) feedback = await server.ask<Result>("GET", "/api/feedback").catch(() => null);
  else if (!now.feedback) feedback = null;
  side();
  tell();
}

async function reload(): Promise<void> {
  if (!me) return;
  try {
    const first = view === null;
    take(await server.core(me.run, me.core));
    if (first) byId("wood").focus();
  } catch (e) {
    if (e instanceof server.Refused && e.code === "token") door();
  }
}

async function poll(): Promise<void> {
  if (!me) return;
  try {
    const now = await server.ask<Me>("GET", "/api/me");
    if (!now.joined) {
      door();
      return say("You were signed out here: you came back elsewhere, left, or were taken out of the class.");
    }
    await arrive(now);
    if (trouble.dataset.kind === "away") quiet();
    void outbox.work();
  } catch (e) {
    if (!(e instanceof server.Refused)) say("The class's program cannot be reached. What you set waits here and will be sent: keep this page open.", "away");
  }
}

// tell says in the head how the exercise stands.
function tell(): void {
  if (!me) return;
  const now = Date.now() + ahead;
  const time = (t: string) => new Date(t).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  let words = "";
  if (me.phase === "not open yet") words = `opens at ${time(me.opens)}`;
  else if (me.phase === "closed") words = feedback ? "feedback is here" : "closed: your work is kept, feedback follows";
  else if (view?.state.stage === "signed off") words = "handed in; you can still change it";
  else if (me.closes) words = `open until ${time(me.closes)}, ${Math.max(0, Math.ceil((Date.parse(me.closes) - now) / 60000))} min left`;
  else words = "open";
  if (byId("progress").textContent !== words) byId("progress").textContent = words;
}

// take shows the core as the server has it.
function take(v: CoreView): void {
  if (!scan) return;
  view = v;
  if (!v.core.boundaries.some((b) => b.kind === "ring")) [v.core.rings, v.mean_mm] = [[], null]; // the wood between its given ends is no ring
  if (!v.core.boundaries.some((b) => b.id === wood.selected)) wood.selected = "";
  void wood.show(v, scan);
  numbers(v);
  describe();
  tell();
  byId<HTMLButtonElement>("undo").disabled = v.undo === 0;
  byId<HTMLButtonElement>("redo").disabled = v.redo === 0;
}

function numbers(v: CoreView): void {
  const item = (name: string, value: string) => element("div", {}, element("dt", {}, name), element("dd", {}, value));
  byId("numbers").replaceChildren(
    item("Core", v.core.id),
    item("Your rings", `${v.core.rings.length}`),
    item("Years", v.years),
    item("Mean width", v.mean_mm === null ? "–" : `${v.mean_mm.toFixed(3)} mm`),
    item("Wood", v.core.wood ?? "–"),
    item("Gaps", `${v.state.gaps.length}`),
    item("Absent rings", `${v.state.absent.length}`),
  );
}

const edgeOf: Record<string, string> = {
  conifer: "Where the dark latewood ends and pale earlywood begins, at a stroke: that edge is the boundary.",
  "ring-porous": "Where a band of large vessels begins: its outer edge is the boundary.",
  "diffuse-porous": "Where a thin line runs across the whole breadth: that line is the boundary.",
};

// side is what stands beside the wood: how to measure, or what became of it.
function side(): void {
  if (!me) return;
  const place = byId("side");
  const kind = feedback ? `feedback ${JSON.stringify(feedback)}` : `${me.phase} ${me.pass} ${view?.core.wood}`;
  if (place.dataset.kind === kind) return;
  place.dataset.kind = kind;
  if (feedback) return faults(feedback);
  const key = (k: string, words: string) => element("p", { class: "keyline" }, element("span", {}, words), element("span", {}, ...k.split(" ").flatMap((x) => [element("kbd", {}, x), " "])));
  const open = [
    element("h2", {}, "How to measure"),
    element("p", {}, edgeOf[view?.core.wood ?? ""] ?? "Set a boundary where each annual ring ends."),
    element("p", {}, "Begin at the bark and go on to the pith. Move along the wood by dragging it, closer with the wheel."),
    key("i", "begin setting"),
    key("← →", "move, 10 px with Shift"),
    key("Enter", "set it here, or click"),
    key("Esc", "leave setting"),
    key("u", "undo"),
    key("s", "hand in"),
  ];
  const early = [element("h2", {}, "Not open yet"), element("p", {}, "The wood appears here when the exercise opens. You need not reload.")];
  const shut = [element("h2", {}, "Closed"), element("p", {}, "What you set is kept. The feedback appears here when your assistant releases it.")];
  place.replaceChildren(
    ...(me.phase === "open" ? open : me.phase === "closed" ? shut : early),
    element("h2", { class: "back" }, "To come back"),
    element("p", {}, "On another machine, or if you were signed out:"),
    element("p", { class: "code" }, me.pass),
  );
}

// Feedback.

function faults(r: Result): void {
  const loss = (p: Result["parts"][0]) => [...new Set(p.lost.filter((l) => l.points > 0).map((l) => l.why))].join("; ");
  const parts = element("table", { class: "parts" }, element("tbody", {}, ...r.parts.map((p) => element("tr", { title: loss(p) }, element("th", { scope: "row" }, p.name), element("td", { class: "n" }, `${p.points.toFixed(1)} of ${p.of.toFixed(1)}`)))));
  const list = element("ol", { class: "faults" });
  r.faults.forEach((f, i) => {
    const canvas = element("canvas", { "aria-hidden": "true" });
    const b = element("button", { type: "button", "data-fault": `${i}` }, f.point_px ? canvas : "", element("span", { class: "what" }, r.headings[i], " ", element("small", {}, r.costs[i])), element("span", {}, f.detail));
    b.addEventListener("click", () => visit(i));
    list.append(element("li", {}, b));
  });
  if (r.faults.length === 0) list.append(element("li", { class: "none" }, "No fault was found."));
  byId("side").replaceChildren(
    element("h2", {}, "Your mark"),
    element("p", { class: "mark" }, r.mark.toFixed(1), " ", element("small", {}, `of ${r.full_mark}`)),
    parts,
    element("p", {}, `${r.matched} boundaries as in the key, ${r.missed} missed, ${r.invented} invented`),
    ...r.elsewhere.map((words) => element("p", {}, words)),
    ...r.warnings.map((w) => element("p", { class: "heed" }, sentence(w))),
    element("p", { class: "pages" }, page("page.html", "Your page, to read and print"), page("page.png", "as a picture"), ...(r.matched > 0 ? [page("skeleton.png", "skeleton plot")] : [])),
    element("h2", {}, "What to look at"),
    list,
    ...(r.spared.length === 0 ? [] : [element("h2", {}, "Not marked down"), ...r.spared.map((words) => element("p", {}, words))]),
  );
  requestAnimationFrame(() => {
    for (const b of list.querySelectorAll<HTMLElement>("button")) {
      const f = r.faults[Number(b.dataset.fault)];
      const canvas = b.querySelector("canvas");
      if (f.point_px && canvas && scan && view) void crop(canvas, scan, f.point_px, (wood.flipped ? 0 : 180) - wood.radius.chord, cropZoom(view), claim);
    }
  });
}

function page(file: string, words: string): HTMLElement {
  return element("a", { href: `/feedback/${file}`, target: "_blank" }, words);
}

// cropZoom makes all crops 3.6 mm wide, or 170 px where there is no scale.
function cropZoom(v: CoreView): number {
  return v.mm_per_px ? (170 * v.mm_per_px[0]) / 3.6 : 1;
}

// claim marks the place that a crop is about, at its edges alone.
function claim(c: CanvasRenderingContext2D): void {
  const ratio = window.devicePixelRatio || 1;
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  const [w, h] = [c.canvas.clientWidth, c.canvas.clientHeight];
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  for (const [colour, width] of [["#fbfaf6", 5], [ink, 2]] as const) {
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.beginPath();
    for (const [a, b] of [[0, 10], [h, h - 10]]) {
      c.moveTo(w / 2, a);
      c.lineTo(w / 2, b);
    }
    c.stroke();
  }
}

// visit shows a fault on the wood: where the key's boundary stands, or the
// student's that it has not.
function visit(i: number): void {
  const f = feedback?.faults[i];
  if (!f || !view) return;
  chosenFault = i;
  for (const b of byId("side").querySelectorAll<HTMLElement>("[data-fault]")) {
    if (b.dataset.fault === `${i}`) b.setAttribute("aria-current", "true");
    else b.removeAttribute("aria-current");
  }
  byId("side").querySelector('[aria-current="true"]')?.scrollIntoView({ block: "nearest" });
  if (f.point_px) {
    const at = wood.radius.at(f.point_px);
    wood.preview = { kind: "boundary", at: [wood.radius.point(at)], words: f.kind === "invented" ? "not in the key" : "the key's" };
    wood.go(at, Math.max(wood.zoom, byId("wood").clientWidth / (closeMM / (view.mm_per_px?.[0] ?? 0.02))));
  }
  selectedWords.textContent = f.detail;
  wood.draw();
}

function nextFault(step: 1 | -1): void {
  const n = feedback?.faults.length ?? 0;
  if (n > 0) visit(chosenFault < 0 ? 0 : (chosenFault + step + n) % n);
}

// Editing.

function boundaryWords(b: Boundary): string {
  const at = b.at_mm === null ? "" : ` at ${b.at_mm.toFixed(3)} mm`;
  if (b.kind === "outer") return `The wood's outer end${at}, given`;
  if (b.kind === "inner") return `The pith${at}, given`;
  const i = view?.core.boundaries.indexOf(b) ?? -1;
  const ring = (k: number) => view?.core.rings[k];
  const words = [ring(i - 1), ring(i)].filter((r) => r !== undefined).map((r) => `${r.year ?? `ring ${r.index}`}${r.width_mm === null ? "" : ` (${r.width_mm.toFixed(3)} mm)`}`);
  return `Boundary${at}${words.length === 2 ? `, between ${words.join(" and ")}` : words.length === 1 ? `, beside ${words[0]}` : ""}`;
}

function describe(): void {
  if (!view) return;
  byId("setting").hidden = mode === "look";
  byId("place").hidden = mode !== "radius";
  const b = view.core.boundaries.find((x) => x.id === wood.selected);
  if (mode === "add") selectedWords.textContent = "Setting boundaries: arrows or mouse, Enter or a click sets one.";
  else if (mode === "gap") selectedWords.textContent = from ? "To where does the gap reach?" : "Where does the gap begin?";
  else if (mode === "radius") selectedWords.textContent = drawing && drawing.held >= 0 ? "Arrows carry the place; Space puts it down." : `New radius, ${drawing?.places.length ?? 0} places, from bark to pith: a click or Space sets one.`;
  else if (b) selectedWords.textContent = boundaryWords(b);
  else if (feedback) selectedWords.textContent = feedback.faults.length > 0 ? "n goes to the next fault." : "";
  else selectedWords.textContent = mayEdit() ? (!view.core.boundaries.some((x) => x.kind === "ring") ? "Nothing is set yet: i begins, at the bark." : "Arrows or a click select a boundary; i goes on setting.") : "";
}

function edit(e: Edit): void {
  if (!mayEdit() || !view) return;
  if (trouble.dataset.kind === "said") quiet();
  outbox.send(view.run, view.core.uid, view.revision, "events", e);
  apply(e);
  describe();
  wood.draw();
}

// apply does here, until the server answers, what an edit does to a boundary.
function apply(e: Edit): void {
  if (!view) return;
  const c = view.core;
  const b = c.boundaries.find((x) => x.id === e.target);
  if (e.kind === "remove") c.boundaries = c.boundaries.filter((x) => x !== b);
  if (e.kind === "add" && e.point_px) {
    const at = wood.radius.at(e.point_px);
    c.boundaries.push({ id: "new", kind: "ring", at_mm: null, point_px: wood.radius.point(at), line_px: [wood.radius.point(at, -wood.sides[1]), wood.radius.point(at, wood.sides[0])], tilt_deg: 0, probability: 1, source: "person" });
    c.boundaries.sort((x, y) => wood.radius.at(x.point_px) - wood.radius.at(y.point_px));
  }
  if (e.kind === "move" && b && e.point_px) {
    const p = e.point_px;
    b.line_px = b.line_px.map((q) => [q[0] + p[0] - b.point_px[0], q[1] + p[1] - b.point_px[1]]);
    b.point_px = p;
  }
}

function back(way: "undo" | "redo"): void {
  if (!mayEdit() || !view || (way === "undo" ? view.undo : view.redo) === 0) return;
  outbox.send(view.run, view.core.uid, view.revision, way, { kind: "" });
}

function start(what: typeof mode): void {
  if (!mayEdit() || !view) return;
  stop();
  mode = what;
  const b = view.core.boundaries.find((x) => x.id === wood.selected);
  const begins = what === "add" && !view.core.boundaries.some((x) => x.kind === "ring");
  if (begins && wood.zoom * wood.radius.length < 1.5 * byId("wood").clientWidth) closeUp();
  pointer = b ? b.point_px : wood.radius.point(begins ? 0 : wood.middle());
  wood.selected = "";
  if (what === "radius") drawing = new Drawing(pointer, alongChord);
  preview(pointer);
  byId("wood").focus();
}

const closeMM = 9; // across the pane when a place is looked at, mm

// closeUp shows the bark end so near that rings can be told.
function closeUp(): void {
  const mm = view?.mm_per_px?.[0] ?? 0.02;
  wood.go((0.4 * closeMM) / mm, byId("wood").clientWidth / (closeMM / mm), true);
}

function alongChord(p: Point): number {
  const [a, b] = [wood.radius.path[0], wood.radius.path[wood.radius.path.length - 1]];
  return (p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1]);
}

function stop(): void {
  mode = "look";
  from = null;
  drawing = null;
  wood.preview = null;
  describe();
  wood.draw();
}

function preview(p: Point): void {
  if (drawing) wood.preview = { kind: "path", at: drawing.path, words: "", cursor: p };
  else {
    pointer = wood.radius.point(wood.radius.at(p));
    wood.preview = from ? { kind: "from", at: [from, pointer], words: "" } : { kind: "boundary", at: [pointer], words: "" };
  }
  describe();
  wood.draw();
}

async function setHere(): Promise<void> {
  if (mode === "add") {
    edit({ kind: "add", point_px: pointer });
    preview(pointer);
  } else if (mode === "radius") {
    const path = drawing?.path ?? [];
    stop();
    if (path.length > 1) edit({ kind: "radius", detail: { path_px: path } });
  } else if (mode === "gap" && !from) {
    from = pointer;
    preview(pointer);
  } else if (mode === "gap" && from) {
    const [a, b] = [from, pointer];
    stop();
    const word = await choose("What kind of gap is it?", ["crack", "break", "lost"]);
    if (word) edit({ kind: "gap", point_px: a, detail: { to_px: b, word } });
  }
}

function step(right: boolean, px: number): void {
  if (!view) return;
  if (drawing) return carry(right ? px : -px, 0);
  const inward = right === wood.flipped; // unflipped, bark is to the right
  if (mode !== "look") {
    const at = clamp(wood.radius.at(pointer) + ((inward ? 1 : -1) * px) / Math.min(1, wood.zoom), 0, wood.radius.length);
    const to = wood.radius.point(at);
    const x = wood.paneX(to);
    if (x < 60 || x > byId("wood").clientWidth - 60) wood.go(at, wood.zoom);
    preview(to);
    return;
  }
  const all = view.core.boundaries;
  if (all.length === 0) return;
  const i = all.findIndex((b) => b.id === wood.selected);
  const away = (b: Boundary) => Math.abs(wood.radius.at(b.point_px) - wood.middle());
  select(i < 0 ? all.reduce((best, b) => (away(b) < away(best) ? b : best)).id : all[clamp(i + (inward ? 1 : -1), 0, all.length - 1)].id);
}

function select(id: string): void {
  wood.selected = id;
  const b = view?.core.boundaries.find((x) => x.id === id);
  if (b) {
    const x = wood.paneX(b.point_px);
    if (x < 60 || x > byId("wood").clientWidth - 60) wood.go(wood.radius.at(b.point_px), wood.zoom);
  }
  describe();
  wood.draw();
}

function carry(right: number, down: number): void {
  if (!drawing) return;
  drawing.moveTo(wood.onPane(drawing.cursor, right * 4, down * 4));
  preview(drawing.cursor);
}

function nudge(right: boolean): void {
  if (mode !== "look") return step(right, 10);
  const b = view?.core.boundaries.find((x) => x.id === wood.selected);
  if (b && b.kind === "ring") edit({ kind: "move", target: b.id, point_px: wood.radius.point(clamp(wood.radius.at(b.point_px) + (right === wood.flipped ? 1 : -1), 0, wood.radius.length)) });
}

function removeSelected(): void {
  if (drawing) {
    drawing.drop();
    preview(drawing.cursor);
  } else if (mode === "look" && wood.selected) edit({ kind: "remove", target: wood.selected });
}

async function note(): Promise<void> {
  if (!mayEdit()) return;
  const b = view?.core.boundaries.find((x) => x.id === wood.selected);
  const words = await text(b ? "Note on this boundary" : "Note on this core", "Note", "Keep");
  if (words) edit({ kind: "note", why: words, ...(b ? { point_px: b.point_px } : {}) });
}

async function handIn(): Promise<void> {
  if (!mayEdit() || !view) return;
  if (await show("Hand in?", [element("p", {}, `${view.core.rings.length} rings. You can still change them until the exercise closes.`)], "Hand in")) edit({ kind: "sign-off" });
}

wood.onPoint = (p, how) => {
  if (!view) return;
  drawing?.moveTo(p);
  if (how === "hover") {
    if (mode !== "look") preview(p);
    return;
  }
  if (drawing) placeHere();
  else if (mode !== "look") {
    preview(p);
    void setHere();
  } else select(wood.under(p));
};
wood.onDrag = (target, p) => {
  if (view?.core.boundaries.some((b) => b.id === target && b.kind === "ring")) edit({ kind: "move", target, point_px: p });
};
wood.onMove = () => view && widths.draw(view, wood.selected);
widths.onRing = (i) => {
  const b = view?.core.boundaries[i + 1];
  if (b) {
    select(b.id);
    wood.go(wood.radius.at(b.point_px), wood.zoom);
  }
};

function placeHere(): void {
  drawing?.place(10 / wood.zoom);
  if (drawing) preview(drawing.cursor);
}

const actions: Action[] = [
  { id: "add", keys: ["i"], words: "set boundaries", do: () => start("add") },
  { id: "take", keys: ["Enter"], words: "set it here; take what is shown", when: () => mode !== "look", do: () => void setHere() },
  { id: "leave", keys: ["Escape"], words: "leave setting", do: stop },
  { id: "remove", keys: ["x", "Delete"], words: "remove the selected boundary", do: removeSelected },
  { id: "absent", keys: ["b"], words: "absent ring, inward of the selected boundary", do: () => wood.selected && edit({ kind: "absent", target: wood.selected }) },
  { id: "gap", keys: ["g"], words: "gap: a crack, break or lost wood", do: () => start("gap") },
  { id: "radius", keys: ["d"], words: "draw a radius of your own", do: () => start("radius") },
  { id: "place", keys: [" "], words: "set a place of the radius, take one up, put it down", when: () => drawing !== null, do: placeHere },
  { id: "note", keys: ["c"], words: "note on the selected place, or on the core", do: () => void note() },
  { id: "", keys: ["ArrowLeft"], show: "← →", words: "move what is being set; next boundary", do: () => step(false, 1) },
  { id: "", keys: ["ArrowRight"], words: "", do: () => step(true, 1) },
  { id: "", keys: ["Shift+ArrowLeft"], show: "Shift+← →", words: "move further; nudge the selected boundary a px", do: () => nudge(false) },
  { id: "", keys: ["Shift+ArrowRight"], words: "", do: () => nudge(true) },
  { id: "", keys: ["ArrowUp"], show: "↑ ↓", words: "move a radius being drawn", when: () => drawing !== null, do: () => carry(0, -1) },
  { id: "", keys: ["ArrowDown"], words: "", when: () => drawing !== null, do: () => carry(0, 1) },
  { id: "undo", keys: ["u", "Ctrl+z"], words: "undo, without limit", do: () => back("undo") },
  { id: "redo", keys: ["r", "Ctrl+Shift+z", "Ctrl+y"], words: "redo", do: () => back("redo") },
  { id: "hand-in", keys: ["s"], words: "hand in", do: () => void handIn() },
  { id: "", keys: ["n"], show: "n p", words: "next fault, previous fault, in the feedback", when: () => feedback !== null, do: () => nextFault(1) },
  { id: "", keys: ["p"], words: "", when: () => feedback !== null, do: () => nextFault(-1) },
  { id: "flip", keys: ["f"], words: "flip: bark to the other side", do: () => wood.flip() },
  { id: "whole", keys: ["0"], words: "show the whole core", do: () => wood.whole() },
  { id: "closer", keys: ["+", "="], show: "+ -", words: "closer, further off", do: () => wood.zoomBy(1.5) },
  { id: "further", keys: ["-"], words: "", do: () => wood.zoomBy(1 / 1.5) },
  { id: "help", keys: ["?"], words: "this list", do: () => void help() },
  { id: "dim", keys: ["v"], words: "a dim ground for dark rooms", do: () => { dim(); wood.draw(); } },
];

async function help(): Promise<void> {
  const mouse = "Wheel: closer and further off. Drag: move along. Drag a selected boundary: move it. Every edit is stored as it is made.";
  await show("Keys", [list(actions), element("p", {}, mouse)], null);
}

listen(actions, () => (me ? actions : []));
byId("leave-class").addEventListener("click", () => void leaveClass());
window.addEventListener("resize", () => wood.draw());

dimIfKept();
byId("wood").tabIndex = 0;
const found = await server.ask<Me>("GET", "/api/me").catch(() => null);
if (found?.joined) {
  await arrive(found);
  void outbox.work();
} else door();
setInterval(() => void poll(), everyMS);
