// What the class server says beside what the desk says.
import type { Point } from "./model";

export interface Me {
  joined: boolean; // nothing else is there if not
  name: string;
  pass: string;
  exercise: string;
  phase: "not open yet" | "open" | "closed";
  now: string;
  opens: string;
  closes: string | null;
  feedback: boolean;
  run: number;
  core: string;
  width_px: number;
  height_px: number;
  tiles: string;
}

export interface Fault {
  kind: string;
  key_ring: number | null;
  year: number | null;
  detail: string;
  point_px?: Point;
  student_px?: Point;
}

export interface Result {
  mark: number;
  full_mark: number;
  matched: number;
  missed: number;
  invented: number;
  width_mae_mm: number | null;
  faults: Fault[];
  headings: string[]; // of the faults
  costs: string[]; // of the faults, in points off the mark; "" for nothing
  elsewhere: string[]; // what else was taken off the mark
  spared: string[]; // what the experts do not agree on either, in words
  warnings: string[];
  parts: { name: string; of: number; points: number; lost: { points: number; why: string }[] }[];
}

export interface Student {
  id: number;
  name: string;
  joined: string;
  boundaries: number;
  edits: number;
  last: string | null;
  handed_in: boolean;
  mark: number | null;
  full_mark: number | null;
  faults: number;
  warnings: string[];
}

export interface Exercise {
  id: number;
  name: string;
  core: string;
  key: string;
  code: string;
  seats: number;
  phase: "not open yet" | "open" | "closed";
  opens: string;
  closes: string | null;
  graded: string | null;
  released: string | null;
  students: Student[];
}

export interface ClassNow {
  address: string;
  now: string;
  exercises: Exercise[];
}
