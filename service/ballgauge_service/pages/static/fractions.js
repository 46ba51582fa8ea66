// Lengths as the trade writes them: whole inches and fractions.

const FINEST = 64;

/** Write a number as a mixed fraction of at most 64ths: -1/4, 4 1/2, 5. */
export function fraction(value) {
  const parts = Math.round(Math.abs(value) * FINEST);
  const whole = Math.floor(parts / FINEST);
  let [over, under] = [parts % FINEST, FINEST];
  while (over && over % 2 === 0) [over, under] = [over / 2, under / 2];
  const written = [whole || !over ? String(whole) : "", over ? `${over}/${under}` : ""]
    .filter(Boolean)
    .join(" ");
  return value < 0 && parts ? `-${written}` : written;
}

/** Whether a number is a whole count of 64ths. */
export const isFraction = (value) => Math.abs(value * FINEST - Math.round(value * FINEST)) < 1e-6;

/** The nearest whole count of 64ths. */
export const nearest = (value) => Math.round(value * FINEST) / FINEST;
