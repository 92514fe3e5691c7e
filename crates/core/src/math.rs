//! The only float functions of the core: pure `f32`, the same bits on every machine, never a panic.
//!
//! Host and microcontroller must agree to the bit, so nothing here calls a platform's float library, and nothing goes
//! through `f64`, which a Cortex-M4F has to do in software. Each function states its largest error and its answers for
//! zero, negative, infinite and NaN arguments; the sweeps in `math/tests.rs` assert the stated number. One *ulp* is the
//! distance between two neighbouring `f32` values at the size of the exact answer.
//!
//! One rule holds throughout: **a NaN argument gives NaN**. A limit never turns "unknown" into a number, so whoever is
//! about to make a command out of the number can still refuse it.
//!
//! # Where raw `micromath` is used, and why that is safe
//!
//! - [`sqrt`] takes its first guess from it. Three Newton steps remove the guess's error (6.1 % at most), and only
//!   positive, normal numbers get that far, so its odd answers for -0.0, infinity and numbers near zero are never seen.
//! - [`rough_norm3`] takes its square root as it is. That root is never low but for an infinite argument, which is
//!   answered before it.
//!
//! The polynomials for sine, cosine and arctangent were fitted for this file by Remez exchange on the relative error,
//! over an interval 0.05 % wider than the reduced argument can reach.
//!
//! The arithmetic is IEEE 754 with subnormal numbers and rounding to nearest, which is how both a PC and a Cortex-M4F
//! start up.

use core::f32::consts::{FRAC_2_PI, PI, TAU};

use micromath::F32Ext;

/// Largest magnitude of an angle, in radians, for which [`sin_cos`] and [`wrap_angle`] have an answer: some 1600 turns.
///
/// No joint gets there; a larger number is a mistake upstream, and its sine would be noise.
pub const LARGEST_ANGLE: f32 = 1.0e4;

/// A quarter turn in three parts. The first two are short enough (8 and 11 bits) that a count of quarter turns within
/// [`LARGEST_ANGLE`] (13 bits) times either of them is exact; the third carries the rest.
const QUARTER: [f32; 3] = [1.5703125, 4.837_513e-4, 7.549_79e-8];

/// An eighth of a turn in two parts. The first is short enough (19 bits) that up to four times it is exact.
const EIGHTH: [f32; 2] = [0.785_398_5, -3.198_789_2e-7];

/// Square root. Largest error 1 ulp, over all positive numbers, subnormal ones included; that of a whole number squared
/// is exact.
///
/// Zero gives itself (-0.0 gives -0.0), a negative number NaN, infinity infinity.
pub fn sqrt(x: f32) -> f32 {
    const SUBNORMAL_UP: f32 = 16_777_216.0; // 2^24 makes any subnormal number normal,
    const ROOT_DOWN: f32 = 1.0 / 4096.0; // and 2^-12 takes its root back down; both are exact.

    if x == 0.0 || x == f32::INFINITY {
        x
    } else if x >= f32::MIN_POSITIVE {
        sqrt_of_normal(x)
    } else if x > 0.0 {
        sqrt_of_normal(x * SUBNORMAL_UP) * ROOT_DOWN
    } else {
        f32::NAN
    }
}

/// Newton's rule `y <- (y + x/y) / 2` squares the relative error and halves it: 6.1e-2, 1.8e-3, 1.6e-6, then rounding
/// alone.
fn sqrt_of_normal(x: f32) -> f32 {
    let y = F32Ext::sqrt(x);
    let y = 0.5 * (y + x / y);
    let y = 0.5 * (y + x / y);
    0.5 * (y + x / y)
}

/// Sine and cosine of an angle in radians. Largest error 1e-7 each for an angle within [`LARGEST_ANGLE`], and 1.5 ulp
/// for one within an eighth of a turn.
///
/// Zero gives itself and 1. Beyond [`LARGEST_ANGLE`], and for infinity, both are NaN.
pub fn sin_cos(angle: f32) -> (f32, f32) {
    if is_out_of_reach(angle) {
        return (f32::NAN, f32::NAN);
    }
    let quarters = nearest(angle * FRAC_2_PI);
    let rest = less_quarters(angle, quarters as f32);
    let (s, c) = sin_cos_of_eighth(rest);
    match quarters & 3 {
        0 => (s, c),
        1 => (c, -s),
        2 => (-s, -c),
        _ => (-c, s),
    }
}

/// Sine of an angle in radians: the first half of [`sin_cos`].
pub fn sin(angle: f32) -> f32 {
    sin_cos(angle).0
}

/// Cosine of an angle in radians: the second half of [`sin_cos`].
pub fn cos(angle: f32) -> f32 {
    sin_cos(angle).1
}

fn is_out_of_reach(angle: f32) -> bool {
    angle.is_nan() || abs(angle) > LARGEST_ANGLE
}

/// The nearest whole number to one of at most a few thousand; a half goes away from zero.
#[expect(
    clippy::cast_possible_truncation,
    reason = "truncation towards zero is the rounding meant here"
)]
fn nearest(x: f32) -> i32 {
    (x + 0.5_f32.copysign(x)) as i32
}

/// `angle` less a whole number of quarter turns, to within half an ulp and 1e-10 rad (as Cody and Waite do it).
fn less_quarters(angle: f32, quarters: f32) -> f32 {
    let [high, middle, low] = QUARTER;
    ((angle - quarters * high) - quarters * middle) - quarters * low
}

/// Sine and cosine by polynomial, for an angle within an eighth of a turn either way.
fn sin_cos_of_eighth(x: f32) -> (f32, f32) {
    let u = x * x;
    let s = (-1.951_495_8e-4 * u + 8.332_158e-3) * u - 1.666_665_5e-1;
    let c = (2.446_348_5e-5 * u - 1.388_765_2e-3) * u + 4.166_665_3e-2;
    // The sign is set for the sake of -0.0, which a sum would lose; a machine and its mirror image then agree to the
    // bit.
    ((x + x * u * s).copysign(x), 1.0 - 0.5 * u + u * u * c)
}

/// Angle in [-pi, pi] of the vector `(x, y)` against the x axis, in radians. Largest error 3 ulp, and never over 2.4e-7
/// rad.
///
/// All quadrants, every length. Signed zeros and infinities are answered as IEEE 754 asks: `y` = ±0 gives ±0 where `x`
/// is positive or +0.0, and ±pi where it is negative or -0.0, so `(0, 0)` gives 0; two infinite arguments count as
/// equally long.
pub fn atan2(y: f32, x: f32) -> f32 {
    if y.is_nan() || x.is_nan() {
        return f32::NAN;
    }
    let (long, short) = if abs(y) > abs(x) {
        (abs(y), abs(x))
    } else {
        (abs(x), abs(y))
    };
    let slope = if long == 0.0 {
        0.0
    } else if short == f32::INFINITY {
        1.0
    } else {
        short / long
    };
    // Counted in eighths of a turn, plus or minus a small rest, so that there is but one rounding at full size.
    let (eighths, rest) = atan_of_slope(slope);
    let (eighths, rest) = if abs(y) > abs(x) {
        (2.0 - eighths, -rest)
    } else {
        (eighths, rest)
    };
    let (eighths, rest) = if x.is_sign_negative() {
        (4.0 - eighths, -rest)
    } else {
        (eighths, rest)
    };
    let [high, low] = EIGHTH;
    (eighths * high + (rest + eighths * low)).copysign(y)
}

/// Arctangent of a slope from 0 to 1: whole eighths of a turn, and the rest in radians, by polynomial.
fn atan_of_slope(slope: f32) -> (f32, f32) {
    const TAN_PI_8: f32 = 0.414_213_56;
    let (eighths, t) = if slope > TAN_PI_8 {
        (1.0, (slope - 1.0) / (slope + 1.0))
    } else {
        (0.0, slope)
    };
    let u = t * t;
    let p = ((8.052_502e-2 * u - 1.387_732_6e-1) * u + 1.997_768e-1) * u - 3.333_295e-1;
    (eighths, t + t * u * p)
}

/// Angle in [0, pi] whose cosine is `x`, in radians. Largest error 4 ulp, near ±1 too.
///
/// Beyond [-1, 1], and for infinity, NaN: a triangle that does not close is told apart from a stretched one.
pub fn acos(x: f32) -> f32 {
    atan2(sqrt((1.0 - x) * (1.0 + x)), x)
}

/// Angle in [-pi/2, pi/2] whose sine is `x`, in radians. Largest error 4 ulp, near ±1 too.
///
/// Zero gives itself (-0.0 gives -0.0). Beyond [-1, 1], and for infinity, NaN.
pub fn asin(x: f32) -> f32 {
    atan2(x, sqrt((1.0 - x) * (1.0 + x)))
}

/// Length of the vector `(x, y)`. Largest error 2 ulp while the longer side is between 1e-15 and 1e19.
///
/// Signs do not matter. Shorter vectors lose digits and end at 0; longer ones end at infinity. An infinite side gives
/// infinity, unless another is NaN.
pub fn hypot(x: f32, y: f32) -> f32 {
    sqrt(x * x + y * y)
}

/// Length of the vector `(x, y, z)`. Largest error 2 ulp while the longest side is between 1e-15 and 1e19; otherwise as
/// [`hypot`].
pub fn norm3(x: f32, y: f32, z: f32) -> f32 {
    sqrt(x * x + y * y + z * z)
}

/// Length of the vector `(x, y, z)`, quick and never low: at most 6.1 % high while the longest side is between 1e-15
/// and 1e19.
///
/// For a speed or a distance moved that is compared with a limit from below: it can only overstate. ("Never low" is
/// meant to within the 2 ulp of [`norm3`].) A zero vector gives 8.2e-20, a shorter one than 1e-15 no less than its
/// length; longer ones than 1e19 end at infinity. An infinite side gives infinity, unless another is NaN. Not for a
/// length that geometry is built on.
pub fn rough_norm3(x: f32, y: f32, z: f32) -> f32 {
    let square = x * x + y * y + z * z;
    // Micromath's root of infinity is a finite number, the one answer that would be low.
    if square < f32::INFINITY {
        F32Ext::sqrt(square)
    } else {
        square
    }
}

/// Magnitude; exact. -0.0 gives 0.0.
pub fn abs(x: f32) -> f32 {
    x.abs()
}

/// 1.0 for a positive number, -1.0 for a negative one, infinities included; zero gives itself, sign and all.
pub fn sign(x: f32) -> f32 {
    if x > 0.0 {
        1.0
    } else if x < 0.0 {
        -1.0
    } else {
        x
    }
}

/// The smaller of two numbers, the first of two equal ones (so of two zeros); NaN if either is.
pub fn min(a: f32, b: f32) -> f32 {
    if a <= b {
        a
    } else if b < a {
        b
    } else {
        f32::NAN
    }
}

/// The larger of two numbers, the first of two equal ones (so of two zeros); NaN if either is.
pub fn max(a: f32, b: f32) -> f32 {
    if a >= b {
        a
    } else if b > a {
        b
    } else {
        f32::NAN
    }
}

/// `x` kept within `[low, high]`; NaN if any of the three is. An `x` equal to a bound stays as it is, sign of zero and
/// all.
///
/// Crossed bounds (`low` > `high`) give `high`.
pub fn clamp(x: f32, low: f32, high: f32) -> f32 {
    min(max(x, low), high)
}

/// The point `t` of the way from `a` to `b`: exactly `a` at 0 and `b` at 1, beyond them outside.
///
/// Largest error 2 ulp of the larger of `a` and `b`, for `t` from 0 to 1. NaN if an argument is, or where an infinity
/// meets a zero.
pub fn lerp(a: f32, b: f32, t: f32) -> f32 {
    a * (1.0 - t) + b * t
}

/// The same direction in (-pi, pi], in radians. An angle already there stays as it is; otherwise the largest error is
/// 5e-7 rad.
///
/// "pi" is the `f32` [`PI`], a hair over the true value: it stays, and `-PI` becomes the number just below `PI`. Zero
/// gives itself. Beyond [`LARGEST_ANGLE`], and for infinity, NaN.
pub fn wrap_angle(angle: f32) -> f32 {
    if is_out_of_reach(angle) {
        return f32::NAN;
    }
    if -PI < angle && angle <= PI {
        return angle;
    }
    let turns = nearest(angle * (0.25 * FRAC_2_PI));
    let rest = less_quarters(angle, 4.0 * turns as f32);
    // The count of turns is rounded from a rounded product, so the rest may lie a few ulp outside.
    if rest <= -PI {
        rest + TAU
    } else if rest > PI {
        rest - TAU
    } else {
        rest
    }
}

#[cfg(test)]
mod tests;
