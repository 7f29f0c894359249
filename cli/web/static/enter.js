// Where the form for the code is shown no lot is open any more: nothing of one stays on this phone but what is to be sent.
import { forgetLot } from "./lot.js";
import { forgetCopy } from "./number_copy.js";

forgetLot();
forgetCopy();

// A code that came with the link (after the #, which no server sees) is put into the field.
function takeCode() {
  const code = decodeURIComponent(location.hash.slice(1));
  if (!code) return;
  document.querySelector("#enter input[name=code]").value = code;
  history.replaceState(null, "", location.pathname);
}
window.addEventListener("hashchange", takeCode);
takeCode();
