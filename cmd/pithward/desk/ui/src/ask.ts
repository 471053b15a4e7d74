// The page's one dialog.

const box = document.getElementById("dialog") as HTMLDialogElement;
const title = document.getElementById("dialog-title") as HTMLElement;
const body = document.getElementById("dialog-body") as HTMLElement;
const yes = document.getElementById("dialog-yes") as HTMLButtonElement;
const no = document.getElementById("dialog-no") as HTMLButtonElement;

no.addEventListener("click", () => box.close());

export const asking = () => box.open;

// show opens the dialog and answers whether it was taken.
export function show(words: string, content: Node[], take: string | null): Promise<boolean> {
  title.textContent = words;
  body.replaceChildren(...content);
  yes.hidden = take === null;
  yes.textContent = take ?? "";
  no.firstChild!.textContent = take === null ? "Close " : "Cancel ";
  box.returnValue = "";
  return new Promise((resolve) => {
    box.addEventListener("close", () => resolve(box.returnValue === "yes"), { once: true });
    yes.value = "yes";
    box.showModal();
    (body.querySelector<HTMLElement>("input, textarea, select, button") ?? no).focus();
  });
}

// text asks for a line of text; null if it was not given.
export async function text(words: string, label: string, take: string, value = ""): Promise<string | null> {
  const input = document.createElement("input");
  input.value = value;
  input.maxLength = 1000;
  input.autocomplete = "off";
  return (await show(words, [labelled(label, input)], take)) ? input.value.trim() : null;
}

// choose asks for one of some words; null if none was taken.
export async function choose(words: string, label: string, options: string[], take: string): Promise<string | null> {
  const select = document.createElement("select");
  for (const o of options) select.append(new Option(o, o));
  return (await show(words, [labelled(label, select)], take)) ? select.value : null;
}

function labelled(words: string, control: HTMLElement): HTMLLabelElement {
  const label = document.createElement("label");
  label.append(`${words} `, control);
  return label;
}
