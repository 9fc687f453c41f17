// The few things of the app that need a hand on them: a map to drag and zoom, a
// trunk to turn, a text with line numbers, a long upload. Every page works
// without this file; each gesture has a button or a slider that does the same.
import { stages } from "./stage";
import { turns } from "./turn";
import { editors } from "./editor";
import { notices } from "./notices";
import { boards } from "./live";
import { places } from "./places";
import { cards } from "./card";

function prepare(root: ParentNode): void {
  stages(root);
  turns(root);
  editors(root);
  notices(root);
  boards(root);
  places(root);
  cards(root, prepare);
}

document.addEventListener("DOMContentLoaded", () => prepare(document));
document.addEventListener("htmx:afterSettle", (e) => {
  prepare((e.target as Element).parentElement ?? document);
});
