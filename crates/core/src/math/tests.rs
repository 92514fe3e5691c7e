//! The stated errors of `math` asserted against `f64`, its special values, and the golden bits of every function.

#![expect(
    clippy::cast_possible_truncation,
    reason = "arguments are picked in f64 and rounded once"
)]

extern crate std;

use std::{f64, format, println, string::String};

use core::f32::consts::FRAC_PI_2;

use super::*;

/// Numbers that look random and are the same in every run.
struct Dice(u64);

impl Dice {
    fn bits(&mut self) -> u32 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 32) as u32
    }

    /// Any bit pattern at all: every size, subnormal numbers, infinities, NaN.
    fn any(&mut self) -> f32 {
        f32::from_bits(self.bits())
    }

    fn between(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * (self.bits() >> 8) as f32 / 16_777_216.0
    }

    /// A number of either sign whose magnitude is spread evenly over the powers of two from `2^low` to `2^high`.
    fn of_size(&mut self, low: i32, high: i32) -> f32 {
        let exponent = (f64::from(low) + f64::from(high - low) * f64::from(self.between(0.0, 1.0))) as i32;
        let mantissa = self.between(1.0, 2.0);
        (f64::from(mantissa) * 2.0_f64.powi(exponent)) as f32 * sign(self.between(-1.0, 1.0))
    }
}

fn grid(low: f32, high: f32, count: u32) -> impl Iterator<Item = f32> {
    (0..=count).map(move |i| (f64::from(low) + f64::from(high - low) * f64::from(i) / f64::from(count)) as f32)
}

/// The distance between neighbouring `f32` at the size of `exact`.
fn ulp(exact: f64) -> f64 {
    let exponent = (exact.abs().max(f64::from(f32::MIN_POSITIVE)).to_bits() >> 52) as i32 - 1023;
    2.0_f64.powi(exponent - 23)
}

/// The worst of a sweep, and where.
struct Worst {
    error: f64,
    at: String,
}

impl Worst {
    fn none() -> Self {
        Worst {
            error: 0.0,
            at: String::new(),
        }
    }

    fn absolute(&mut self, at: impl core::fmt::Debug, got: f32, exact: f64) {
        self.note(at, (f64::from(got) - exact).abs());
    }

    fn in_ulp(&mut self, at: impl core::fmt::Debug, got: f32, exact: f64) {
        self.note(at, (f64::from(got) - exact).abs() / ulp(exact));
    }

    fn note(&mut self, at: impl core::fmt::Debug, error: f64) {
        // A NaN counts as the worst, and stays.
        if error > self.error || (error.is_nan() && !self.error.is_nan()) {
            self.error = error;
            self.at = format!("{at:?}");
        }
    }

    #[track_caller]
    fn is_within(&self, bound: f64) {
        println!("worst {:.4e} of {bound:e} at {}", self.error, self.at);
        assert!(
            self.error <= bound,
            "error {:e} over the stated {bound:e} at {}",
            self.error,
            self.at
        );
    }
}

#[test]
fn sqrt_is_within_1_ulp() {
    let mut worst = Worst::none();
    // Two octaves hold every case of exponent and mantissa there is; the rest is scaling.
    for bits in (1.0_f32.to_bits()..4.0_f32.to_bits()).step_by(5) {
        let x = f32::from_bits(bits);
        worst.in_ulp(x, sqrt(x), f64::from(x).sqrt());
    }
    let mut dice = Dice(1);
    for x in (0..300_000).map(|_| dice.any()).filter(|x| *x > 0.0 && x.is_finite()) {
        worst.in_ulp(x, sqrt(x), f64::from(x).sqrt());
    }
    for x in (0..100_000).map(|_| f32::from_bits(dice.bits() >> 9)) {
        worst.in_ulp(x, sqrt(x), f64::from(x).sqrt());
    }
    for x in [f32::from_bits(1), f32::MIN_POSITIVE, f32::MAX] {
        worst.in_ulp(x, sqrt(x), f64::from(x).sqrt());
    }
    worst.is_within(1.0);
}

#[test]
fn sqrt_of_a_square_is_exact() {
    for n in 0..=4096_u16 {
        let n = f32::from(n);
        assert_eq!(sqrt(n * n), n);
    }
}

#[test]
fn sine_and_cosine_are_within_1e_7_and_1_5_ulp_near_zero() {
    let (mut far, mut near) = (Worst::none(), Worst::none());
    let mut check = |x: f32| {
        let (s, c) = sin_cos(x);
        let (exact_s, exact_c) = f64::from(x).sin_cos();
        far.absolute(x, s, exact_s);
        far.absolute(x, c, exact_c);
        if abs(x) <= 0.5 * FRAC_PI_2 {
            near.in_ulp(x, s, exact_s);
            near.in_ulp(x, c, exact_c);
        }
    };
    grid(-LARGEST_ANGLE, LARGEST_ANGLE, 400_000).for_each(&mut check);
    grid(-7.0, 7.0, 200_000).for_each(&mut check);
    grid(-0.8, 0.8, 200_000).for_each(&mut check);
    let mut dice = Dice(2);
    (0..200_000)
        .map(|_| dice.any())
        .filter(|x| x.abs() <= LARGEST_ANGLE)
        .for_each(&mut check);
    // Where a quarter turn ends is where a wrong count of them would show.
    for quarter in -6365..=6365 {
        let edge = (f64::from(quarter) + 0.5) * f64::consts::FRAC_PI_2;
        check(edge as f32);
        check((edge - 0.5 * f64::consts::FRAC_PI_2) as f32);
    }
    far.is_within(1e-7);
    near.is_within(1.5);
}

#[test]
fn atan2_is_within_3_ulp_and_2_4e_7() {
    let (mut ulps, mut radians) = (Worst::none(), Worst::none());
    let mut check = |y: f32, x: f32| {
        let exact = f64::from(y).atan2(f64::from(x));
        ulps.in_ulp((y, x), atan2(y, x), exact);
        radians.absolute((y, x), atan2(y, x), exact);
    };
    for angle in grid(-PI, PI, 300_000) {
        let (s, c) = sin_cos(angle);
        check(s, c);
        check(3.7 * s, 3.7 * c);
    }
    let mut dice = Dice(3);
    for _ in 0..300_000 {
        let (y, x) = (dice.any(), dice.any());
        if !y.is_nan() && !x.is_nan() {
            check(y, x);
        }
        check(dice.of_size(-20, 20), dice.of_size(-20, 20));
    }
    ulps.is_within(3.0);
    radians.is_within(2.4e-7);
}

#[test]
fn acos_and_asin_are_within_4_ulp() {
    let (mut arc_cosine, mut arc_sine) = (Worst::none(), Worst::none());
    let mut check = |x: f32| {
        arc_cosine.in_ulp(x, acos(x), f64::from(x).acos());
        arc_sine.in_ulp(x, asin(x), f64::from(x).asin());
    };
    grid(-1.0, 1.0, 300_000).for_each(&mut check);
    let mut dice = Dice(4);
    (0..200_000)
        .map(|_| dice.any())
        .filter(|x| x.abs() <= 1.0)
        .for_each(&mut check);
    // The last 10 000 numbers before ±1, where a series in x would fail.
    for bits in 1.0_f32.to_bits() - 10_000..=1.0_f32.to_bits() {
        check(f32::from_bits(bits));
        check(-f32::from_bits(bits));
    }
    arc_cosine.is_within(4.0);
    arc_sine.is_within(4.0);
}

#[test]
fn lengths_are_within_2_ulp_and_the_rough_one_is_never_low() {
    let (mut two, mut three, mut low, mut high) = (Worst::none(), Worst::none(), Worst::none(), Worst::none());
    let mut dice = Dice(5);
    for i in 0..300_000 {
        // Sides of like size and of unlike size, from 1e-15 to nearly 1e19 (2^-49 to 2^62).
        let size = -49 + i % 111;
        let longest = dice.of_size(size, size + 1);
        let (y, z) = (longest * dice.between(-1.0, 1.0), longest * dice.between(-1.0, 1.0));
        let exact_two = f64::from(longest).hypot(f64::from(y));
        let exact = exact_two.hypot(f64::from(z));
        two.in_ulp((longest, y), hypot(longest, y), exact_two);
        three.in_ulp((longest, y, z), norm3(longest, y, z), exact);
        let rough = f64::from(rough_norm3(z, longest, y));
        low.note((longest, y, z), (exact - rough).max(0.0) / ulp(exact));
        high.note((longest, y, z), (rough / exact - 1.0).max(0.0));
    }
    two.is_within(2.0);
    three.is_within(2.0);
    low.is_within(2.0);
    high.is_within(0.061);
    for _ in 0..100_000 {
        let (x, y, z) = (
            dice.of_size(-149, -40),
            dice.of_size(-149, -40),
            dice.of_size(-149, -40),
        );
        let exact = f64::from(x).hypot(f64::from(y)).hypot(f64::from(z));
        assert!(
            f64::from(rough_norm3(x, y, z)) >= exact * (1.0 - 2.4e-7),
            "low at {:?}",
            (x, y, z)
        );
    }
    assert_eq!(hypot(3.0, 4.0), 5.0);
    assert_eq!(norm3(2.0, -3.0, 6.0), 7.0);
}

#[test]
fn wrap_angle_is_within_5e_7_and_in_the_half_open_turn() {
    let mut worst = Worst::none();
    let mut check = |x: f32| {
        let wrapped = wrap_angle(x);
        assert!(-PI < wrapped && wrapped <= PI, "{x} wrapped to {wrapped}");
        let off = (f64::from(x) - f64::from(wrapped)) / f64::consts::TAU;
        worst.note(x, (off - off.round()).abs() * f64::consts::TAU);
    };
    grid(-LARGEST_ANGLE, LARGEST_ANGLE, 300_000).for_each(&mut check);
    for turns in -1590..=1590 {
        let seam = (f64::from(turns) + 0.5) * f64::consts::TAU;
        let nearest_bits = (seam as f32).to_bits();
        (nearest_bits - 2..=nearest_bits + 2)
            .map(f32::from_bits)
            .for_each(&mut check);
    }
    worst.is_within(5e-7);
    for x in grid(-PI, PI, 10_000).filter(|x| -PI < *x) {
        assert_eq!(wrap_angle(x).to_bits(), x.to_bits());
    }
    assert_eq!(wrap_angle(-PI), f32::from_bits(PI.to_bits() - 1));
}

#[test]
fn lerp_is_exact_at_its_ends_and_within_2_ulp_between() {
    let mut worst = Worst::none();
    let mut dice = Dice(6);
    for _ in 0..100_000 {
        let (a, b, t) = (dice.of_size(-20, 20), dice.of_size(-20, 20), dice.between(0.0, 1.0));
        let exact = f64::from(a) + (f64::from(b) - f64::from(a)) * f64::from(t);
        worst.note(
            (a, b, t),
            (f64::from(lerp(a, b, t)) - exact).abs() / ulp(f64::from(max(abs(a), abs(b)))),
        );
        assert_eq!(lerp(a, b, 0.0), a);
        assert_eq!(lerp(a, b, 1.0), b);
    }
    worst.is_within(2.0);
}

#[test]
fn a_clamped_number_is_in_bounds_and_never_turns_round() {
    let mut dice = Dice(7);
    for _ in 0..100_000 {
        let (a, b) = (dice.any(), dice.any());
        let (low, high) = (min(a, b), max(a, b));
        let (x, y) = (dice.any(), dice.any());
        let (clamped_x, clamped_y) = (clamp(x, low, high), clamp(y, low, high));
        if x.is_nan() || a.is_nan() || b.is_nan() {
            assert!(clamped_x.is_nan());
        } else {
            assert!(low <= clamped_x && clamped_x <= high);
            assert!(clamped_x == x || x < low || high < x);
            assert!(y.is_nan() || (x <= y) == (x <= y && clamped_x <= clamped_y));
        }
    }
    assert_eq!(clamp(5.0, 2.0, 1.0), 1.0);
    assert_eq!(clamp(0.0, 2.0, 1.0), 1.0);
}

#[test]
fn mirror_images_agree_to_the_bit() {
    let mut dice = Dice(9);
    for _ in 0..10_000 {
        let (x, y) = (dice.of_size(-30, 13), dice.of_size(-30, 13));
        is(sin(-x), -sin(x));
        is(cos(-x), cos(x));
        is(atan2(-y, x), -atan2(y, x));
        is(asin(-x), -asin(x));
    }
}

/// Equal to the bit, except that any NaN equals any other: which NaN an operation makes is the machine's business.
#[track_caller]
fn is(got: f32, wanted: f32) {
    let same = got.to_bits() == wanted.to_bits() || (got.is_nan() && wanted.is_nan());
    assert!(same, "got {got:?}, wanted {wanted:?}");
}

const INF: f32 = f32::INFINITY;
const NAN: f32 = f32::NAN;

#[test]
fn special_values_of_one_argument() {
    // argument, sqrt, sine, cosine, arc cosine, arc sine, sign, wrapped
    let table = [
        (0.0, 0.0, 0.0, 1.0, FRAC_PI_2, 0.0, 0.0, 0.0),
        (-0.0, -0.0, -0.0, 1.0, FRAC_PI_2, -0.0, -0.0, -0.0),
        (1.0, 1.0, 0.841471, 0.5403023, 0.0, FRAC_PI_2, 1.0, 1.0),
        (-1.0, NAN, -0.841471, 0.5403023, PI, -FRAC_PI_2, -1.0, -1.0),
        (40_000.0, 200.0, NAN, NAN, NAN, NAN, 1.0, NAN),
        (-1.0e30, NAN, NAN, NAN, NAN, NAN, -1.0, NAN),
        (INF, INF, NAN, NAN, NAN, NAN, 1.0, NAN),
        (-INF, NAN, NAN, NAN, NAN, NAN, -1.0, NAN),
        (NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN),
    ];
    for (x, root, sine, cosine, arc_cosine, arc_sine, sign_of, wrapped) in table {
        is(sqrt(x), root);
        is(sin(x), sine);
        is(cos(x), cosine);
        is(acos(x), arc_cosine);
        is(asin(x), arc_sine);
        is(sign(x), sign_of);
        is(wrap_angle(x), wrapped);
    }
    is(abs(-0.0), 0.0);
    is(abs(-INF), INF);
    is(abs(NAN), NAN);
    is(acos(1.0 + f32::EPSILON), NAN);
    is(asin(-1.0 - f32::EPSILON), NAN);
}

#[test]
fn special_values_of_atan2() {
    let table = [
        (0.0, 0.0, 0.0),
        (-0.0, 0.0, -0.0),
        (0.0, -0.0, PI),
        (-0.0, -0.0, -PI),
        (0.0, 1.0, 0.0),
        (-0.0, 1.0, -0.0),
        (0.0, -1.0, PI),
        (-0.0, -1.0, -PI),
        (1.0, 0.0, FRAC_PI_2),
        (-1.0, -0.0, -FRAC_PI_2),
        (INF, INF, 0.5 * FRAC_PI_2),
        (-INF, -INF, -1.5 * FRAC_PI_2),
        (1.0, INF, 0.0),
        (-1.0, -INF, -PI),
        (INF, 1.0, FRAC_PI_2),
        (NAN, 1.0, NAN),
        (1.0, NAN, NAN),
        (INF, NAN, NAN),
    ];
    for (y, x, angle) in table {
        is(atan2(y, x), angle);
    }
}

#[test]
fn special_values_of_several_arguments() {
    is(hypot(0.0, -0.0), 0.0);
    is(hypot(-INF, 1.0), INF);
    is(hypot(INF, NAN), NAN);
    is(hypot(1.0e30, 0.0), INF);
    is(norm3(0.0, -0.0, 0.0), 0.0);
    is(norm3(1.0, 2.0, -INF), INF);
    is(norm3(1.0, NAN, 1.0), NAN);
    assert!(rough_norm3(0.0, 0.0, -0.0) < 8.2e-20);
    is(rough_norm3(1.0e30, 0.0, 0.0), INF);
    is(rough_norm3(1.0, -INF, 0.0), INF);
    is(rough_norm3(1.0, NAN, INF), NAN);
    is(min(0.0, -0.0), 0.0);
    is(max(-0.0, 0.0), -0.0);
    is(min(NAN, 1.0), NAN);
    is(min(1.0, NAN), NAN);
    is(max(NAN, 1.0), NAN);
    is(max(1.0, NAN), NAN);
    is(clamp(-0.0, 0.0, 1.0), -0.0);
    is(clamp(INF, 0.0, 1.0), 1.0);
    is(clamp(NAN, 0.0, 1.0), NAN);
    is(clamp(0.5, NAN, 1.0), NAN);
    is(clamp(0.5, 0.0, NAN), NAN);
    is(lerp(1.0, 3.0, 0.5), 2.0);
    is(lerp(1.0, NAN, 0.0), NAN);
    is(lerp(1.0, INF, 0.0), NAN);
}

/// Debug, release and every other target must give these very bits. When a function is changed on purpose, its number
/// changes.
#[test]
fn the_bits_are_golden() {
    let golden: [(&str, u64); 16] = [
        ("sqrt", 0xe889_3d00_e703_4539),
        ("sin", 0x223d_5426_d867_858d),
        ("cos", 0x2ea9_c7b9_acb0_1347),
        ("atan2", 0x4ff7_5d62_900b_e925),
        ("acos", 0x7ac3_646b_58bd_399f),
        ("asin", 0xd87e_9514_c663_b675),
        ("hypot", 0x512f_c000_03f9_68ca),
        ("norm3", 0x2780_5753_f16d_c095),
        ("rough_norm3", 0x115f_1e71_07c8_3acd),
        ("abs", 0x340b_8997_73db_7ae4),
        ("sign", 0x5a2d_269b_3c5b_5ba5),
        ("min", 0x3ec5_3d73_6853_c649),
        ("max", 0xc6be_0b56_0ae2_879e),
        ("clamp", 0xcde2_e724_88af_b07d),
        ("lerp", 0xf7f9_f46b_94b0_a5ab),
        ("wrap_angle", 0xf04e_c7a5_ad97_3d80),
    ];
    let found = golden.map(|(name, _)| (name, digest(name)));
    assert_eq!(found, golden, "results differ from the ones agreed for all targets");
}

/// FNV-1a over a function's results for 10 000 triples: all bit patterns, and everyday sizes in between.
fn digest(name: &str) -> u64 {
    let mut dice = Dice(8);
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    for i in 0..10_000 {
        let (x, y, z) = match i % 4 {
            0 => (dice.any(), dice.any(), dice.any()),
            1 => (dice.between(-1.0, 1.0), dice.between(-1.0, 1.0), dice.between(0.0, 1.0)),
            2 => (
                dice.between(-100.0, 100.0),
                dice.between(-5.0, 5.0),
                dice.between(0.0, 50.0),
            ),
            _ => (dice.of_size(-30, 13), dice.of_size(-30, 13), dice.of_size(-30, 13)),
        };
        let result = match name {
            "sqrt" => sqrt(x),
            "sin" => sin(x),
            "cos" => cos(x),
            "atan2" => atan2(x, y),
            "acos" => acos(x),
            "asin" => asin(x),
            "hypot" => hypot(x, y),
            "norm3" => norm3(x, y, z),
            "rough_norm3" => rough_norm3(x, y, z),
            "abs" => abs(x),
            "sign" => sign(x),
            "min" => min(x, y),
            "max" => max(x, y),
            "clamp" => clamp(x, y, z),
            "lerp" => lerp(x, y, z),
            _ => wrap_angle(x),
        };
        let bits = if result.is_nan() {
            f32::NAN.to_bits()
        } else {
            result.to_bits()
        };
        for byte in bits.to_le_bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }
    hash
}
