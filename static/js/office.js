// The one script a page loads; each part minds its own business and does nothing where its marks are missing.
// Every page works without any of this.
import { watchThemeForms } from "./theme.js";
import { watchErrors } from "./errors.js";
import { watchFailures } from "./failures.js";
import { watchForms } from "./form-guard.js";
import { watchMenus } from "./menus.js";
import { watchShortcuts } from "./shortcuts.js";
import { watchWedge } from "./wedge.js";
import { watchCameras } from "./camera-scan.js";
import { watchSignatures } from "./signature.js";
import { watchGridRows } from "./grid-rows.js";
import { watchLateParts } from "./late-parts.js";

watchThemeForms(document);
watchErrors(document);
watchFailures(document);
watchForms(document);
watchMenus(document);
watchShortcuts(document);
watchWedge(document);
watchCameras(document);
watchSignatures(document);
watchGridRows(document);
watchLateParts(document);
