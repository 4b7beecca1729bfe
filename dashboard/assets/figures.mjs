/* How figures read. Units, factors, steps and words come with the page (words/numbers.py); here they are only applied. */

/** @type {(value: number, decimals: number, grouped?: boolean) => string} */
export function number(value, decimals, grouped) {
  const text = value.toFixed(decimals).replace("-", "\u2212");
  const [whole, parts] = /** @type {[string, string?]} */ (text.split("."));
  const left = grouped ? whole.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f") : whole;
  return parts ? left + window.boomledger_words.decimal + parts : left;
}

/** Lengths and masses in the units of the person.
 * @param {Units} units */
export function formats({ length, mass }) {
  /** @type {(kg: number, round: (steps: number) => number) => string} */
  const spoken = (kg, round) => {
    const form = /** @type {MassForm} */ (mass.find((one) => one.below === null || kg < one.below));
    return number(round((kg * form.per_si) / form.step) * form.step, form.decimals, true) + " " + form.unit;
  };
  return {
    length: (/** @type {number} */ metres) => number(metres * length.per_si, length.decimals) + " " + length.unit,
    tick: (/** @type {number} */ metres) => number(metres * length.per_si, 0),
    lengthName: length.unit,
    perMetre: length.per_si,
    /* A rated capacity is cut, never rounded up. */
    rated: (/** @type {number} */ kg) => spoken(kg, (steps) => Math.floor(steps + 1e-9)),
    mass: (/** @type {number} */ kg) => spoken(kg, Math.round),
  };
}

/** An age [ms] in words. The steps come with the words: below which age, and in units of what.
 * @type {(ms: number, words: AgeWords) => string} */
export function ageText(ms, words) {
  const [text, , unit] = /** @type {AgeStep} */ (words.steps.find(([, below]) => below === null || ms < below));
  return text.replace("{n}", String(Math.floor(ms / unit)));
}
