// Own pictograms of the page, strokes on a field of 20 units. They always stand beside a word or under
// a tooltip, so they are hidden from screen readers.

const PATHS = {
  undo: "M8 4 4 8l4 4M4.500 8H12a4 4 0 0 1 0 8H8",
  redo: "M12 4l4 4-4 4M15.500 8H8a4 4 0 0 0 0 8h4",
  close: "M5 5l10 10M15 5 5 15",
  bin: "M4 6h12M8 6V4h4v2M5.500 6l.8 10.500h7.400L14.500 6M8.500 9v5M11.500 9v5",
  up: "M10 16V5M5.500 9 10 4.500 14.500 9",
  down: "M10 4v11M5.500 11l4.500 4.500L14.500 11",
  grip: "M7 5v.01M7 10v.01M7 15v.01M13 5v.01M13 10v.01M13 15v.01",
  find: "M12.500 12.500 17 17M8.500 14a5.500 5.500 0 1 0 0-11 5.500 5.500 0 0 0 0 11z",
  file: "M6 3h5.500L15 6.500V17H6zM11 3v4h4",
  take: "M10 3v9.500M6 9l4 4 4-4M4 16.500h12",
  shelf:
    "M3.500 16.500h13M5 16.500V6h3v10.500M8.500 16.500V4h2.800v12.500M12.300 6.600l2.600-.7 2.100 10.200",
  warn: "M10 3.500 17.500 16.500h-15zM10 8.500v3.800M10 14.500v.01",
  tour: "M5 16.500C5 12 15 13.500 15 9.500S6 8 6 4.800M15 16.500v.01M6 3v.01",
  // Three rules of a scale, each set elsewhere.
  taste: "M3.500 5.500h13M7 3.500v4M3.500 10h13M13.500 8v4M3.500 14.500h13M9.500 12.500v4",
  mend: "M4 16 11 9M11 9a3.200 3.200 0 0 1 4.600-3.800L13 7.800l.2 1.900 1.900.2 2.300-2.300A3.200 3.200 0 0 1 11 9",
  turn: "M5 8h9l-3-3.500M15 12H6l3 3.500",
  bed: "M3.500 5v11M3.500 13h13v3M16.500 13v-1.500a2 2 0 0 0-2-2H8V13M5.800 10.300v.01",
  loop: "M15.500 8a6 6 0 1 0 .5 4M16 4v4h-4",
  plus: "M10 4v12M4 10h12",
  copy: "M7 7h9v9.500H7zM4 13V3.500h9",
  key: "M3 6h14v9H3zM6 9v.01M9 9v.01M12 9v.01M14.500 9v.01M7 12h6",
  table: "M3.500 5h13v11h-13zM3.500 9h13M8 5v11",
} as const;

export type IconName = keyof typeof PATHS;

export function Icon({ name }: { name: IconName }) {
  return (
    <svg class="icon" viewBox="0 0 20 20" aria-hidden="true" focusable="false">
      <path d={PATHS[name]} />
    </svg>
  );
}

/** A button of one pictogram; its words are its tooltip and its name. */
export function IconButton(props: {
  name: IconName;
  label: string;
  onClick(): void;
  disabled?: boolean;
  class?: string;
  pressed?: boolean;
}) {
  return (
    <button
      type="button"
      class={`icon-button ${props.class ?? ""}`}
      title={props.label}
      aria-label={props.label}
      disabled={props.disabled ?? false}
      aria-pressed={props.pressed}
      onClick={props.onClick}
    >
      <Icon name={props.name} />
    </button>
  );
}
