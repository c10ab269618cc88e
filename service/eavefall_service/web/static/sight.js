// Angles of a phone, heights from angles, places on a plan: plain functions, the same formulas as the server's
// (eavefall_model.sighting), so that the page answers without signal.

const RADIANS = Math.PI / 180;
// As in eavefall_model.sighting.angles.
export const READING_SD_DEG = 0.5;
const STEEPEST_DEG = 70;
// As in eavefall_model.sighting.measured: a fixed part (m) and a share of the length.
export const USUAL_SD = { taped: [0.02, 0.01], paced: [0.2, 0.08], drawn: [0.6, 0.15] };
export const BEARING_SD_DEG = { angle: 10, drawn: 12 };

export function usualSd(how, metres) {
  const [fixed, share] = USUAL_SD[how];
  return fixed + share * metres;
}

// Where the back camera points: W3C Device Orientation, R = Rz(alpha) Rx(beta) Ry(gamma), the camera along -z.
// Elevation above level, degrees.
export function elevation(beta, gamma) {
  return Math.asin(-Math.cos(beta * RADIANS) * Math.cos(gamma * RADIANS)) / RADIANS;
}

// Compass heading of the back camera, degrees clockwise from the north that alpha counts from; as the worked
// example in that specification's appendix.
export function heading(alpha, beta, gamma) {
  const [a, b, c] = [alpha * RADIANS, beta * RADIANS, gamma * RADIANS];
  const east = -Math.cos(a) * Math.sin(c) - Math.sin(a) * Math.sin(b) * Math.cos(c);
  const north = -Math.sin(a) * Math.sin(c) + Math.cos(a) * Math.sin(b) * Math.cos(c);
  return ((Math.atan2(east, north) / RADIANS) + 360) % 360;
}

export function mean(values) { return values.reduce((sum, each) => sum + each, 0) / values.length; }

// Standard deviation of several values, 0 for one.
export function spread(values) {
  if (values.length < 2) return 0;
  const middle = mean(values);
  return Math.sqrt(values.reduce((sum, each) => sum + (each - middle) ** 2, 0) / (values.length - 1));
}

// Mean of bearings and how far they scatter about it, degrees.
export function meanBearing(bearings) {
  const east = mean(bearings.map((each) => Math.sin(each * RADIANS)));
  const north = mean(bearings.map((each) => Math.cos(each * RADIANS)));
  const middle = ((Math.atan2(east, north) / RADIANS) + 360) % 360;
  const off = bearings.map((each) => ((each - middle + 540) % 360) - 180);
  return { deg: middle, spread: bearings.length < 2 ? 0 : Math.sqrt(off.reduce((sum, each) => sum + each ** 2, 0) / (off.length - 1)) };
}

function reading(degrees) {
  const sd = Math.max(READING_SD_DEG, degrees.length > 2 ? spread(degrees) : 0) / Math.sqrt(degrees.length);
  return [mean(degrees) * RADIANS, sd * RADIANS];
}

// Height above the base by the tangent method, metres with its standard deviation; or what is wrong.
export function heightFromAngles(distance, distanceSd, tops, bases) {
  if (!tops.length || !bases.length) return { problem: "Sight the base and the top, each at least once." };
  if (Math.max(...tops.map(Math.abs), ...bases.map(Math.abs)) > STEEPEST_DEG) return { problem: "You stand too close: the top is nearly overhead. Look behind you, go farther off, and sight again." };
  const [[top, topSd], [base, baseSd]] = [reading(tops), reading(bases)];
  const rise = Math.tan(top) - Math.tan(base);
  if (rise <= 0) return { problem: "The top is sighted below the base. Sight the base first, then the top." };
  return {
    value: distance * rise,
    sd: Math.hypot(rise * distanceSd, distance * topSd / Math.cos(top) ** 2, distance * baseSd / Math.cos(base) ** 2),
  };
}

// Straight distance from a point to a segment, metres.
export function gap([x, y], [[x0, y0], [x1, y1]]) {
  const [dx, dy] = [x1 - x0, y1 - y0];
  const squared = dx * dx + dy * dy;
  const share = squared ? Math.min(1, Math.max(0, ((x - x0) * dx + (y - y0) * dy) / squared)) : 0;
  return Math.hypot(x - x0 - share * dx, y - y0 - share * dy);
}

// What the survey says of a trunk at a place on the plan: its bearing from the middle of the house, the nearest
// eave and the distance to it.
export function placed(trunk, eaves) {
  let near = null;
  for (const eave of eaves) {
    const far = gap(trunk, [eave.start, eave.end]);
    if (!near || far < near.distance - 1e-9) near = { eave: eave.name, distance: far };
  }
  return { bearing: ((Math.atan2(trunk[0], trunk[1]) / RADIANS) + 360) % 360, eave: near?.eave, distance: near?.distance ?? Math.hypot(...trunk) };
}

// Length of a line drawn as an eave, and where it faces: away from the middle of the house.
export function drawnEave([x0, y0], [x1, y1]) {
  const [dx, dy] = [x1 - x0, y1 - y0];
  const length = Math.hypot(dx, dy);
  let [east, north] = [dy, -dx];
  if (east * (x0 + x1) + north * (y0 + y1) < 0) [east, north] = [-east, -north];
  return { length, facing: ((Math.atan2(east, north) / RADIANS) + 360) % 360 };
}

const POINTS = ["N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"];
export function compassPoint(degrees) { return POINTS[Math.round(degrees / 22.5) % 16]; }

export function lengthText(metres, units) {
  if (units !== "us") return `${metres.toFixed(1)} m`;
  if (metres >= 9) return `${Math.round(metres / 0.3048)} ft`;
  const inches = Math.round(metres / 0.0254);
  const [feet, rest] = [Math.floor(inches / 12), inches % 12];
  return [feet ? `${feet} ft` : "", rest || !feet ? `${rest} in` : ""].filter(Boolean).join(" ");
}

export function sdText(metres, units) {
  if (units !== "us") return metres < 0.995 ? `${Math.max(1, Math.round(metres * 100))} cm` : `${metres.toFixed(1)} m`;
  const inches = Math.max(1, Math.round(metres / 0.0254));
  return inches < 12 ? `${inches} in` : `${Math.round(inches / 6) / 2} ft`;
}
