// A code that came with the link (after the #, which no server sees) is put into the field.
function takeCode() {
  const code = decodeURIComponent(location.hash.slice(1));
  if (!code) return;
  document.querySelector("#enter input[name=code]").value = code;
  history.replaceState(null, "", location.pathname);
}
window.addEventListener("hashchange", takeCode);
takeCode();
