// The only scripts that may be started by their address: this page's own (W3C, Trusted Types).

const allowed = (url) => {
  const { origin, pathname } = new URL(url, location.href);
  return origin === location.origin && (pathname === "/service-worker.js" || /^\/static\/v-\w+\/\w+\.js$/.test(pathname));
};

const policy = globalThis.trustedTypes?.createPolicy("plugface-scripts", {
  createScriptURL: (url) => {
    if (!allowed(url)) throw new TypeError(`not a script of this page: ${url}`);
    return url;
  },
});

export const scriptUrl = (url) => policy?.createScriptURL(String(url)) ?? String(url);
