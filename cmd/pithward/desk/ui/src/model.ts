// What the server says, as far as the page reads it. Points are [x, y] in px of
// the scan, pixel centres at whole numbers.

export type Point = [number, number];

export interface Boundary {
  id: string;
  kind: "outer" | "ring" | "inner";
  at_mm: number | null;
  point_px: Point;
  line_px: Point[];
  tilt_deg: number;
  probability: number;
  source: string;
}

export interface Candidate {
  id: string;
  at_mm: number | null;
  point_px: Point;
  tilt_deg: number;
  probability: number;
}

export interface Ring {
  index: number;
  year: number | null;
  width_mm: number | null;
  standard_uncertainty_mm: number | null;
  flags: string[];
}

export interface Core {
  uid: string;
  id: string;
  outline_px: Point[];
  path_px: Point[];
  path_length_mm: number | null;
  wood: string | null;
  bark_present: boolean;
  pith_present: boolean;
  boundaries: Boundary[];
  candidates: Candidate[];
  rings: Ring[];
  expected_count: number | null;
  count_standard_deviation: number | null;
  second_radius?: { path_px: Point[]; boundaries: Boundary[]; rings: Ring[] }; // beyond the pith
  warnings: string[];
}

export interface Open {
  target: string;
  kind: string;
  point_px: Point | null;
  at_mm: number | null;
  probability: number | null;
  cost: number;
  detail: string;
  suspect?: Suspect; // where the other trees raise the doubt
}

export interface Part {
  target: string;
  kind: string;
  from_px: Point;
  to_px: Point;
  year: number | null;
}

export interface Place {
  event: string;
  point_px: Point | null;
  text: string;
}

export interface State {
  stage: string;
  why: string;
  notes: Place[];
  removed: Place[];
  open: Open[];
  settled: number;
  doubtful: number;
  gaps: Part[];
  obscured: Part[];
  absent: Part[];
  blank: boolean;
  pieces?: Point[][]; // outlines of the pieces of a joined core
}

export interface CoreView {
  run: number;
  revision: number;
  mm_per_px: Point | null;
  core: Core;
  state: State;
  undo: number;
  redo: number;
  years: string;
  mean_mm: number | null;
}

export interface CoreLine {
  uid: string;
  id: string;
  stage: string;
  why: string;
  open: number;
  settled: number;
  doubtful: number;
  cost: number;
  rings: number;
  years: string;
  mean_mm: number | null;
  outline_px: Point[];
  pieces: Point[][]; // outlines: one, unless pieces were joined
  second: number; // rings beyond the pith that nobody has taken up
}

// Picture is a scan as far as its wood is seen.
export interface Picture {
  width_px: number;
  height_px: number;
  tiles: string; // path of the Deep Zoom description; "": not there
}

export interface Scan extends Picture {
  run: number;
  file: string;
  status: string;
  stage: string;
  done: number;
  of: number;
  error: string;
  warnings: string[];
  revision: number;
  files: string[]; // what it can be saved as
  joins: string[]; // cores put together from parts
  renewed: string[]; // how it is known from earlier readings
  not_carried: string[];
  cores: CoreLine[];
  undo: string; // kind of the scan's own last edit
  redo: string;
  deleted: { uid: string; id: string; revision: number }[];
}

export interface Stop {
  run: number;
  core: string;
  at_px: number;
  zoom: number;
}

export interface Project {
  name: string;
  observer: string;
  version: string;
  scans: Scan[];
  place: Stop | null;
}

export interface Edit {
  kind: string;
  target?: string;
  point_px?: Point;
  detail?: Record<string, unknown>;
  why?: string;
}

// Curve is an index year by year, 1 where a width is what is usual round it.
export interface Curve {
  name: string;
  first_year: number;
  index: (number | null)[];
}

// Suspect is a ring that the other trees and the picture together say was
// missed, invented or is absent.
export interface Suspect {
  kind: "missed" | "invented" | "absent";
  year: number;
  at_mm: number | null;
  picture_probability: number | null;
  from_year: number;
  to_year: number;
  agree_from_year: number;
  agree_to_year: number;
  r_before: number;
  r_after: number;
  posterior: number;
  place?: string;
  point_px: Point | null;
  words: string;
  hidden_boundaries?: number; // in wood where nothing can be seen
  cost: number;
}

// InTime is a core on the year axis beside the other trees.
export interface InTime {
  run: number;
  core: string;
  revision: number;
  why: string; // there is nothing to see
  trees: number;
  own: Curve;
  master: Curve;
  sisters: Curve[];
  r: number | null;
  years: number;
  suspects: Suspect[];
}
