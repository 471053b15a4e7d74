// Talk with the server. Edits are sent one after another; while the server
// cannot be reached they wait, and are sent when it is back.
import type { CoreView, Edit, InTime, Project, Stop } from "./model";

export class Refused extends Error {
  constructor(
    readonly code: string,
    words: string,
  ) {
    super(words);
  }
}

export async function ask<T>(method: string, path: string, body?: unknown): Promise<T> {
  const r = await fetch(path, {
    method,
    headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
  });
  const answer = await r.json();
  if (!r.ok) throw new Refused(answer.code, answer.error);
  return answer as T;
}

export const project = () => ask<Project>("GET", "/api/project");
export const keepPlace = (s: Stop) => ask("PUT", "/api/place", s);
export const core = (run: number, uid: string) => ask<CoreView>("GET", corePath(run, uid));

export const inTime = (run: number, uid: string) => ask<InTime>("GET", `${corePath(run, uid)}/time`);

export const scanEdit = (run: number, revision: number, edit: Edit) => ask("POST", `/api/runs/${run}/events`, { ...edit, revision, uuid: uuid() });

export const scanBack = (run: number, revision: number, way: "undo" | "redo") => ask("POST", `/api/runs/${run}/${way}`, { kind: "", revision, uuid: uuid() });

function corePath(run: number, uid: string): string {
  return `/api/runs/${run}/cores/${encodeURIComponent(uid)}`;
}

// uuid is a random one (RFC 9562, version 4). The browser's own is only there
// where the page came encrypted or from this machine.
function uuid(): string {
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  return [...b].map((x, i) => ([4, 6, 8, 10].includes(i) ? "-" : "") + x.toString(16).padStart(2, "0")).join("");
}

interface Waiting {
  run: number;
  uid: string;
  way: "events" | "undo" | "redo";
  seen: number; // the revision the observer decided on
  body: Edit & { uuid: string };
}

const retryMS = 800;
const kept = "pithward-unsent";

export class Outbox {
  private queue: Waiting[] = [];
  private busy = false;
  private readonly acknowledged = new Map<string, number>(); // revisions by core

  constructor(
    private readonly stored: (v: CoreView) => void,
    private readonly refused: (why: Refused, dropped: number) => void,
    private readonly lost: (waiting: number | null) => void, // null: all is well
  ) {
    this.queue = JSON.parse(sessionStorage.getItem(kept) ?? "[]") as Waiting[];
  }

  get waiting(): number {
    return this.queue.length;
  }

  send(run: number, uid: string, seen: number, way: Waiting["way"], edit: Edit): void {
    this.queue.push({ run, uid, way, seen, body: { ...edit, uuid: uuid() } });
    this.keep();
    void this.work();
  }

  // work sends what waits, in order. The uuid lets the server know an edit
  // whose answer was lost when it comes again.
  async work(): Promise<void> {
    if (this.busy) return;
    this.busy = true;
    let view: CoreView | null = null;
    while (this.queue.length > 0) {
      const w = this.queue[0];
      try {
        view = await ask<CoreView>("POST", `${corePath(w.run, w.uid)}/${w.way}`, { ...w.body, revision: Math.max(w.seen, this.acknowledged.get(w.uid) ?? 0) });
        this.acknowledged.set(w.uid, view.revision ?? 0);
        this.queue.shift();
        this.keep();
        this.lost(null);
      } catch (e) {
        if (e instanceof Refused && !["token", "slow"].includes(e.code)) {
          const dropped = this.queue.length;
          this.queue = [];
          this.keep();
          this.busy = false;
          this.refused(e, dropped);
          return;
        }
        this.lost(this.queue.length);
        await new Promise((r) => setTimeout(r, retryMS));
      }
    }
    this.busy = false;
    if (view) this.stored(view);
  }

  private keep(): void {
    sessionStorage.setItem(kept, JSON.stringify(this.queue));
  }
}
