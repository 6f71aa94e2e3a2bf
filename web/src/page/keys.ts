// Keys that work anywhere on the page.

import { letGo } from "../edit/gestures";
import * as actions from "./actions";
import * as state from "./state";

const typing = (target: EventTarget | null) =>
  target instanceof HTMLElement &&
  (target.isContentEditable || /^(INPUT|SELECT|TEXTAREA)$/.test(target.tagName)) &&
  !/^(radio|checkbox|range)$/.test((target as HTMLInputElement).type);

export function listenToKeys(): void {
  window.addEventListener("keydown", (e) => {
    const control = e.ctrlKey || e.metaKey;
    if (e.key === "Escape") {
      if (letGo()) return;
      if (state.toast.value) state.toast.value = undefined;
      else if (state.selection.value.kind !== "none") state.select({ kind: "none" });
      else if (state.panel.value) state.panel.value = undefined;
      return;
    }
    if (typing(e.target)) return;
    if (control && !e.altKey && e.key.toLowerCase() === "z") {
      e.preventDefault();
      if (e.shiftKey) state.redo();
      else state.undo();
    } else if (control && e.key.toLowerCase() === "y") {
      e.preventDefault();
      state.redo();
    } else if (control || e.altKey) {
      return;
    } else if (e.key === "Delete" || e.key === "Backspace") {
      actions.deleteSelected();
    } else if (e.key === "/") {
      e.preventDefault();
      document.getElementById("finder")?.focus();
    } else if (e.key === "?") {
      state.show("keys");
    } else if (e.key === "0") {
      state.fitTour();
    }
  });
}
