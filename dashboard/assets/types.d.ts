/* What the server sends to the scripts: props of the components (dashboard/parts/components.py), live rows (dashboard/live.py),
   words (words/texts.py), rows of grids (the pages). Units are in the names; positions and charts are in metres and kilograms. */

type State = "ok" | "watch" | "act" | "stale";
type Scheme = "light" | "dark";
type Point = [number, number];
/** From metres to pixels. */
type Place = (point: Point) => Point;
/** Where attention begins and ends, in the unit of its value. */
type Band = [number, number];
/** Joints as x0, y0 and so on, extensions, stabilisers, outreach [m]; rated capacity [kg]; slewing angle [deg]. */
type Position = Record<string, number>;

interface Area { left: number; right: number; top: number; bottom: number }
interface Joints { column: Point; elbow: Point; tip: Point; hook: Point; withJib: boolean }
interface Target { outreach_m: number; hook_height_m: number }
interface Geometry { pivot_height_m: number; knuckle_m: number; strokes_m: number[]; jib_m: number; jib_strokes_m: number[] }
interface MassForm { below: number | null; per_si: number; step: number; decimals: number; unit: string }
interface Units { length: { unit: string; per_si: number; decimals: number }; mass: MassForm[] }
type Formats = ReturnType<typeof import("./figures.mjs").formats>;

/** A text with {n}, below which age it is used [ms], and the unit of n [ms]. */
type AgeStep = [string, number | null, number];
interface AgeWords { never: string; stale: string; steps: AgeStep[] }

interface LiveRow { at: string | null; online: boolean; state: State; values: Record<string, number | null> }
type LiveRows = Record<string, LiveRow>;

/** An element, its props and what is in it. */
type PackedPart = [string, Record<string, any>, ...(PackedPart | string)[]];
type SetProps = (props: Record<string, unknown>) => void;
interface LiveFeedProps { id: string; data?: LiveRows; paused?: boolean }
interface LiveMarkProps { id?: string; crane: string; state: State; words: Record<State, string> }
interface LiveBarProps { id?: string; crane: string; value?: number; state: State; full: number; band: Band; label: string }
interface AgeProps { id?: string; crane?: string; at?: string | null; stale_after_ms: number; words: AgeWords }
interface LiveValueProps { id?: string; crane: string; channel: string; value?: number | null; factor?: number; decimals?: number; unit?: string; missing: string }
interface ChoiceProps { id?: string; value: string; options: [string, string][]; label: string; wide?: boolean; setProps: SetProps }

interface ViewProps { id: string; position?: Position | null; direct?: boolean; state?: State; units: Units; label?: string; words?: Record<string, string> }
interface SideViewProps extends ViewProps {
  crane?: string;
  geometry: Geometry;
  wanted?: string;
  utilisation_pct?: number | null;
  reach?: Point[];
  chart?: Point[] | null;
  /** Outreach [m], mass [kg], whether near the limit. */
  lifts?: [number, number, boolean][];
  target?: Target;
  tallest?: number;
  load_kg?: number | null;
  setProps?: SetProps;
}
interface TopViewProps extends ViewProps { carrier: { rear_m: number; front_m: number }; reach_m?: number }

/** Lists of one length: times, and channels or figures of a position; `curve` is a place in curves, `state` one in states. */
interface Frames { at_ms: number[]; utilisation_pct: (number | null)[]; [name: string]: (number | null)[] }
interface Mark { at_ms: number; kind: string; text: string; mark: State; stop: boolean }
interface PlayerProps {
  id: string;
  frames: Frames;
  events: Mark[];
  lifts: { start_ms: number; end_ms: number; mass_kg: number }[];
  curves: Point[][];
  states: State[];
  geometry: Geometry;
  carrier: TopViewProps["carrier"];
  reach: Point[];
  reach_m: number;
  band: Band;
  gap_ms: number;
  ticks_ms: number[];
  start_ms?: number;
  time_from: string;
  time_to: string;
  zone: string;
  units: Units;
  words: any;
}
interface TraceProps extends Pick<PlayerProps, "frames" | "events" | "words" | "band" | "gap_ms" | "ticks_ms"> {
  width: number;
  first: number;
  last: number;
  seek: (at: number) => void;
  shown: (at: number) => string;
}

interface Trouble { text: string; since: string; consequence: string; what_to_do: string }
interface ContactWords { lost: string; trying: string; signed_out: string; sign_in: string; typed_back: string; since: string; every_ms: number }

/* ---- what Dash and its libraries offer, as far as it is used ---- */
type GridRow = Record<string, any>;
interface Column { field: string; headerName?: string; cellRenderer?: string; cellRendererParams?: any }
interface CellProps { data: GridRow; colDef: Column }
interface GridApi {
  getColumns(): { getColDef(): Column }[];
  getColumn(field: string): { isVisible(): boolean } | null;
  getColumnState(): { colId: string; sort?: string | null }[];
  applyColumnState(wanted: object): void;
  setColumnsVisible(fields: string[], visible: boolean): void;
  getFilterModel(): Record<string, { filterType: string; type: string; filter: string }>;
  setFilterModel(model: object): void;
  setGridOption(name: string, value: unknown): void;
  getGridOption(name: string): any;
  forEachNodeAfterFilterAndSort(act: (node: { data: GridRow }) => void): void;
  addEventListener(name: string, act: () => void): void;
  isDestroyed(): boolean;
}
interface Graph extends HTMLElement {
  data?: unknown;
  layout?: unknown;
  on?(name: string, act: (change: Record<string, any>) => void): void;
}
interface Window {
  boomledger: Record<string, unknown>;
  boomledger_palette: Record<Scheme, Record<string, string>>;
  boomledger_words: { age: AgeWords; contact: ContactWords; decimal: string; pause: string; resume: string; units_metric: string; units_us: string };
  dash_ag_grid?: { getApi(name: string): GridApi | null | undefined; getApiAsync(name: string): Promise<GridApi> };
  dash_clientside: any;
  dashAgGridComponentFunctions: Record<string, unknown>;
  regeneratorRuntime: any;
  Plotly?: { react(graph: Graph, data: unknown, layout: unknown): void };
}
