// Every action with its key and its button.

export interface Action {
  id: string; // of its button, if it has one
  keys: string[]; // as a KeyboardEvent names them, Shift+ or Ctrl+ before
  show?: string; // keys as the list shows them, where one line stands for several actions
  words: string; // "": in no list
  when?: () => boolean; // the key is free for the browser otherwise
  do: () => void;
}

export function keyOf(e: KeyboardEvent): string {
  const shifted = e.shiftKey && (e.key.length > 1 || /[A-Z]/.test(e.key));
  return `${e.ctrlKey || e.metaKey ? "Ctrl+" : ""}${shifted ? "Shift+" : ""}${e.key.length === 1 ? e.key.toLowerCase() : e.key}`;
}

export function shown(key: string): string {
  return key.replace("ArrowLeft", "←").replace("ArrowRight", "→").replace("ArrowUp", "↑").replace("ArrowDown", "↓").replace("Escape", "Esc").replace(/^ $/, "Space");
}
