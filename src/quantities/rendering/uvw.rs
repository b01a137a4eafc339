//! The uniform colour space U*V*W* of CIE 1964 and the responses of the chromatic adaptation of CIE 13.3-1995.

/// W* = 25 (100 Y/Yw)^⅓ − 17 of the luminance relative to the white, Y/Yw.
pub fn lightness(share: f64) -> f64 {
    const FACTOR: f64 = 25.0 * 4.641_588_833_612_779;
    FACTOR * share.cbrt() - 17.0
}

/// c = (4 − u − 10 v)/v and d = (1.708 v + 0.404 − 1.481 u)/v, written in x = X/Y and z = Z/Y, of which both are linear.
#[expect(clippy::approx_constant, reason = "2.718 is 1.708 + 0.404 * 15 / 6, not Euler's number")]
pub fn response([x, z]: [f64; 2]) -> [f64; 2] {
    [2.0 * z, 2.718 - 0.92 * x + 0.202 * z]
}

/// (u, v) of the responses c and d: the inverse of [`response`].
pub fn uv([c, d]: [f64; 2]) -> [f64; 2] {
    let below = 16.518 + 1.481 * c - d;
    [(10.872 + 0.404 * c - 4.0 * d) / below, 5.52 / below]
}

/// X/Y and Z/Y.
pub fn ratios(xyz: [f64; 3]) -> [f64; 2] {
    [xyz[0] / xyz[1], xyz[2] / xyz[1]]
}

/// U*, V*, W* of a colour relative to its white, both as X, Y, Z, without adaptation: the case of the reference illuminant.
pub fn unadapted(colour: [f64; 3], white: [f64; 3]) -> [f64; 3] {
    let w = lightness(colour[1] / white[1]);
    let (at, beside) = (uv(response(ratios(colour))), uv(response(ratios(white))));
    [13.0 * w * (at[0] - beside[0]), 13.0 * w * (at[1] - beside[1]), w]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: the short forms of c and d equal those of the standard, and (u, v) follows from them.
    #[test]
    fn the_responses_are_those_of_the_standard() {
        for [x, y, z] in [[0.95, 1.0, 1.09], [1.1, 1.0, 0.35], [0.2, 0.7, 0.1]] {
            let below: f64 = x + 15.0 * y + 3.0 * z;
            let (u, v) = (4.0 * x / below, 6.0 * y / below);
            let want = [(4.0 - u - 10.0 * v) / v, (1.708 * v + 0.404 - 1.481 * u) / v];
            let got = response(ratios([x, y, z]));
            assert!((got[0] - want[0]).abs() < 1e-12 && (got[1] - want[1]).abs() < 1e-12, "{want:?} {got:?}");
            let back = uv(got);
            assert!((back[0] - u).abs() < 1e-12 && (back[1] - v).abs() < 1e-12, "{u} {v} {back:?}");
        }
    }
}
