// What is to be known of a reading beyond its value: bits in the readings' frames, words in the state.

const BITS = { overload: 1, "not-a-number": 2, changing: 4, clipped: 8 };

const has = (flags, name) => (typeof flags === "string" ? flags.split(" ").includes(name) : Boolean(flags & BITS[name]));

export const isOverload = (flags) => has(flags, "overload");
export const isNoNumber = (flags) => has(flags, "not-a-number");
export const isBeyondScreen = (flags) => has(flags, "clipped");
