// Which families of the catalogue have the plugs that are seen, by number and colour; their order is not known here.

const POSSIBLE = 0.1; // a colour with less of the say than this is none that the plug could have

// The families with just these plugs; where there are none, those that have them all and others besides, which may
// be hidden. A colour that is not sure stands for each that it could be, one that is not known for all. A code that
// cannot be told (0, see plug_colours.js) could be any plug's.
export function fitPlugs(plugs, families, { codes }) {
  const wanted = plugs.map(({ colour }) => (colour ? codes.filter((_, k) => !colour[k] || colour[k] >= POSSIBLE || colour[k] === Math.max(...colour)) : codes));
  const fitting = plugs.length ? families.filter((family) => family.plugs.length >= plugs.length && allIn(wanted, family.plugs)) : [];
  const whole = fitting.filter((family) => family.plugs.length === plugs.length);
  return whole.length ? { families: whole, hidden: false } : { families: fitting, hidden: true };
}

// Whether each plug that is seen has one of its own among those of the family (an augmenting path for each).
function allIn(wanted, listed) {
  const taken = new Map();
  const seat = (seen, tried) =>
    listed.some(([code], place) => {
      if (!wanted[seen].includes(code) || tried.has(place)) return false;
      tried.add(place);
      if (taken.has(place) && !seat(taken.get(place), tried)) return false;
      taken.set(place, seen);
      return true;
    });
  return wanted.every((_, seen) => seat(seen, new Set()));
}
