// The assistant's page: who has joined, how far they are, and the steps of a
// lesson: close, grade, release.
import { asking, show } from "./ask";
import { dim, dimIfKept } from "./dim";
import type { ClassNow, Exercise, Student } from "./class_model";
import { byId, element } from "./element";
import { ask, Refused } from "./server";

const everyMS = 2000;
let hidden = localStorage.getItem("pithward-hide-names") === "yes";
let drawn = "";

function say(words: string): void {
  const trouble = byId("trouble");
  trouble.textContent = words;
  trouble.hidden = words === "";
}

async function refresh(): Promise<void> {
  let now: ClassNow;
  try {
    now = await ask<ClassNow>("GET", `/api/class${hidden ? "?anonymous=1" : ""}`);
  } catch (e) {
    byId("progress").textContent = e instanceof Refused ? e.message : "The class's program cannot be reached: nothing here is new.";
    return;
  }
  const joined = now.exercises.reduce((n, x) => n + x.students.length, 0);
  byId("progress").textContent = now.exercises.length === 0 ? "No exercise yet: make one with pithward class new" : `${joined} joined, as of ${clock(now.now)}`;
  const text = JSON.stringify([now.exercises, hidden]);
  if (text === drawn || asking()) return; // what did not change keeps its focus
  drawn = text;
  const focus = document.activeElement?.getAttribute("data-at");
  byId("lessons").replaceChildren(...[...now.exercises].reverse().map((x) => lesson(x, now.address)));
  if (focus) document.querySelector<HTMLElement>(`[data-at="${focus}"]`)?.focus();
}

function clock(time: string): string {
  return new Date(time).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
}

function moment(time: string): string {
  return new Date(time).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

function state(x: Exercise): string {
  if (x.released) return "feedback released";
  if (x.graded) return "closed and graded";
  if (x.phase === "not open yet") return `opens ${moment(x.opens)}`;
  if (x.phase === "open") return x.closes ? `open until ${moment(x.closes)}` : "open";
  return `closed ${x.closes ? moment(x.closes) : ""}`;
}

function lesson(x: Exercise, address: string): HTMLElement {
  const about = (name: string, value: string, kind = "") => element("p", { class: "say" }, name, element("strong", { class: kind }, value));
  const act = (id: string, words: string, on: boolean, todo: () => Promise<void>) => {
    const b = element("button", { type: "button", "data-at": `${id}-${x.id}` }, words) as HTMLButtonElement;
    b.disabled = !on;
    b.addEventListener("click", () => void todo());
    return b;
  };
  const joining = x.phase === "closed" ? [] : [about("students open", address), about("and join with", x.code, "code")];
  return element(
    "section",
    { class: "lesson", "aria-label": x.name },
    element("header", {}, element("h2", {}, x.name), ...joining, about("core", x.core), about("key", x.key || "automatic reading"), about("state", state(x)), about("seats", `${x.students.length} of ${x.seats}`)),
    element(
      "p",
      { class: "actions" },
      act("close", "Close", x.phase !== "closed", () => step(x, "close", "Close the exercise?", "Nobody can join or edit after that. What is set is kept.", "Close it")),
      act("grade", x.graded ? "Grade again" : "Grade", x.phase === "closed", () => step(x, "grade", "", "", "")),
      act("release", "Release feedback", x.graded !== null && x.released === null, () => step(x, "release", "Release the feedback?", "Each student sees the own mark and faults.", "Release it")),
    ),
    pages(x),
    x.students.length === 0 ? element("p", { class: "none" }, "Nobody has joined yet.") : table(x),
  );
}

// pages leads to what grading made of the class; nothing before.
function pages(x: Exercise): HTMLElement | string {
  if (x.graded === null) return "";
  const to = (file: string, words: string) => element("a", { href: `/exercises/${x.id}/${file}${coded()}`, target: "_blank" }, words);
  return element("p", { class: "pages" }, to("class.html", "The class on one page"), to("class.csv", "Table for a gradebook (CSV)"));
}

const coded = () => (hidden ? "?anonymous=1" : "");

function table(x: Exercise): HTMLElement {
  const heads = [["Student", ""], ["Joined", ""], ["Boundaries", "n"], ["Edits", "n"], ["Last edit", ""], ["Handed in", ""], ["Faults", "n"], ["Mark", "n"], ["", ""]];
  return element(
    "table",
    {},
    element("thead", {}, element("tr", {}, ...heads.map(([h, c]) => (h ? element("th", { scope: "col", class: c }, h) : element("td", {}))))),
    element("tbody", {}, ...x.students.map((s) => row(x, s))),
  );
}

function row(x: Exercise, s: Student): HTMLElement {
  const remove = element("button", { type: "button", "data-at": `remove-${s.id}`, "aria-label": `Remove ${s.name}` }, "remove");
  remove.addEventListener("click", () => void removeStudent(x, s));
  const mark = s.mark === null ? "" : `${s.mark.toFixed(1)} of ${s.full_mark ?? ""}`;
  return element(
    "tr",
    {},
    element("th", { scope: "row" }, s.name, ...s.warnings.map((w) => element("div", { class: "heed" }, w))),
    element("td", {}, clock(s.joined)),
    element("td", { class: "n" }, `${s.boundaries}`),
    element("td", { class: "n" }, `${s.edits}`),
    element("td", {}, s.last ? clock(s.last) : "–"),
    element("td", {}, s.handed_in ? "yes" : "–"),
    element("td", { class: "n" }, s.mark === null ? "" : `${s.faults}`),
    element("td", { class: "n" }, s.mark === null ? "" : element("a", { href: `/exercises/${x.id}/students/${s.id}/page.html${coded()}`, target: "_blank", "aria-label": `${mark}, the page of ${s.name}` }, mark)),
    element("td", { class: "n" }, remove),
  );
}

async function step(x: Exercise, what: string, title: string, words: string, take: string): Promise<void> {
  if (title && !(await show(title, [element("p", {}, words)], take))) return;
  await act(`/api/exercises/${x.id}/${what}`);
}

async function removeStudent(x: Exercise, s: Student): Promise<void> {
  if (!(await show(`Remove ${s.name}?`, [element("p", {}, `The name, the session, ${s.edits} edits and any result go for good, from the project file too. This cannot be undone.`)], "Remove for good"))) return;
  await act(`/api/exercises/${x.id}/students/${s.id}/remove`);
}

async function act(path: string): Promise<void> {
  say("");
  try {
    const done = await ask<{ removed?: string; edits?: number; result?: boolean }>("POST", path, {});
    if (done.removed !== undefined) say(`Removed: ${hidden ? "the student" : done.removed}, the session, ${done.edits} edits${done.result ? " and the result" : ""}.`);
  } catch (e) {
    say(`Not done: ${(e as Error).message}`);
  }
  await refresh();
}

function hide(): void {
  hidden = !hidden;
  localStorage.setItem("pithward-hide-names", hidden ? "yes" : "");
  byId("anonymous").setAttribute("aria-pressed", `${hidden}`);
  void refresh();
}

byId("anonymous").addEventListener("click", hide);
byId("dim").addEventListener("click", dim);
document.addEventListener("keydown", (e) => {
  if (asking() || e.altKey || e.ctrlKey || e.metaKey) return;
  if (e.key === "h") hide();
  if (e.key === "v") dim();
});
dimIfKept();
byId("anonymous").setAttribute("aria-pressed", `${hidden}`);
await refresh();
setInterval(() => void refresh(), everyMS);
