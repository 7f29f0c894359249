// A code that came with the link (after the #, which no server sees) is put into the field.
const code = decodeURIComponent(location.hash.slice(1));
if (code) {
  document.querySelector("#enter input[name=code]").value = code;
  history.replaceState(null, "", location.pathname);
}
