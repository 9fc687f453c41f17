// What the core, the server and the phone hand to one another. The core
// (apply/fieldlog, compiled to WebAssembly) decides; these are its shapes.

export type Value = string | { value: number; unit?: string };
export type Args = Record<string, Value>;
export interface Fault { id: string; args?: Args }
export interface Finding extends Fault { severity: "refused" | "open" | "warning" | "note"; authority?: string; trees?: string[]; tree_count?: number }
export interface Caution { step: string; id: string; authority: string; text?: string; page?: number }

export interface Event {
  id?: string; at?: string; day?: string; device?: string; person?: string; seq?: number; schema?: number; after?: string[];
  kind: string; tree?: string; port?: number; along_mm?: number; height_mm?: number; depth_mm?: number; bit_um?: number;
  bytes?: number; container?: string; lot?: string; drop?: string[]; left_ul?: number; lost_ul?: number; of?: string;
  photo?: string; reading?: string; taped?: string; stem?: string; reason?: string; replaces?: number; text?: string; to?: number;
  volume_ul?: number; volumes_ul?: number[]; entered_at?: string;
}

export interface PlanPort { n: number; stem?: string; where: string; along_girth_cm: number; height_cm: number; depth_mm: number | null; volume_ml: number }
export interface PlanTree { tree: string; stem?: string; diameter_cm: number; girth_at_ports_cm: number; dose_ml: number; ports: PlanPort[] }
export interface PackTree {
  key: string; code: string; tree: string; order: number; person?: string; pilot?: boolean; status?: string; species?: string;
  x_m?: number; y_m?: number; lat?: number; lon?: number; taped?: { Stems?: { Name: string }[] | null }; units: PlanTree[]; refused?: Finding[];
}
export interface Pack {
  schema: string; day: string; version: number; estate: string; block: string; on: string; practice_only: boolean; units: string; method: string;
  product: { name: string; registration: string; actives: string[] | null; restricted_use: boolean; invented: boolean };
  help: { first_aid: string; emergency_number: string; spill: string; storage: string; gear_mix: string[] | null; gear_apply: string[] | null; gear_clean: string[] | null };
  keep: string; ends: string; expected_uptake_s: number; hole_um: number; graduation_ul: number; port_most_ul: number;
  request: { MarkAzimuthDeg: number; Wounds: { Tree: string; Stem: string; AzimuthDeg: number; Closed: boolean; Year: number }[] | null };
  cautions: Caution[] | null; trees: PackTree[]; people: { id: string; name: string; role: string }[];
}

export interface Port {
  n: number; stem?: string; unit: number; where: string; along_girth_cm: number; azimuth_deg: number; height_cm: number; depth_mm: number | null;
  planned_ul: number; replaces?: number; stage: string; moved_place: boolean; leaking: boolean; refused: boolean; given_up?: string;
  loaded_ul: number; read: boolean; left_ul: number; gone_ul: number; lost_ul: number; lost_read: boolean; begun?: string; ended?: string; containers?: string[];
}
export interface Conflict { kind: string; tree: string; port?: number; events: string[] }
export interface Tree {
  tree: string; stage: string; why?: string; people: string[]; cleaned: boolean; reading?: string; girth_at_ports_cm: number;
  units: { stem?: string; most_ul: number; planned_ul: number; committed_ul: number }[]; ports: Port[]; findings: Finding[]; conflicts: Conflict[]; notes: Event[]; events: number;
}
export interface TreeLine {
  tree: string; order: number; person?: string; by: string[]; stage: string; why?: string; ports: number; drilled: number; read: number; closed: number;
  leaking: boolean; planned_ul: number; loaded_ul: number; gone_ul: number; unread_ul: number; conflicts: number; longest_from?: string;
}
export interface Day {
  trees: TreeLine[]; people: { id: string; name: string; trees: number; done: number }[]; by_stage: Record<string, number>; ports: number; closed: number; planned_ul: number;
  balance: { drawn_ul: number; returned_ul: number; delivered_ul: number; lost_ul: number; left_ul: number; unread_ul: number; missing_ul: number; within_ul: number; known: boolean; fits: boolean };
  returns: { tree: string; port?: number; what: string; why?: string }[]; conflicts: Conflict[]; incidents: Event[]; notes: Event[]; events: number;
}
export interface Judgement { against: Finding[]; mind: Finding[]; cautions: Caution[]; units?: PlanTree[]; spot?: { before_cm: number | null; after_cm: number | null } }

export interface Me { device: string; person: string; name: string; day: string; pack: number; now: string; upload_only: boolean }
