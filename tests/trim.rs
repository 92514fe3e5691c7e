//! Trimming: least squares against certified values, and what is put into a machine file. `cargo xtask trim` has the random valves.

use bellcrank_sim::trim::fit::{linear, nonlinear};
use bellcrank_sim::trim::write::changed;
use nalgebra::DMatrix;

#[track_caller]
fn near(found: f64, certified: f64, digits: i32) {
    assert!(
        (found / certified - 1.0).abs() < 10_f64.powi(-digits),
        "{found}, certified {certified}"
    );
}

/// Source: NIST StRD, Norris (linear, lower difficulty): certified estimates and their standard deviations.
#[test]
fn a_straight_line_has_the_certified_coefficients() {
    let x = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
        11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2,
        669.1, 448.9, 0.5,
    ];
    let y = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
        10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9,
        668.4, 449.2, 0.2,
    ];
    let columns = DMatrix::from_fn(x.len(), 2, |row, column| if column == 0 { 1.0 } else { x[row] });
    let fit = linear(&columns, &y, None).unwrap();
    near(fit.values[0], -0.262323073774029, 10);
    near(fit.values[1], 1.00211681802045, 12);
    near(fit.error(0), 0.232818234301152, 10);
    near(fit.error(1), 0.429796848199937e-3, 10);
    near(fit.scatter, 0.884796396144373, 10);
}

/// Source: NIST StRD, Misra1a (lower difficulty) and BoxBOD (higher difficulty), `y = b1 (1 - exp(-b2 x))`, from both certified starts; that of
/// BoxBOD at (1, 1) is the hard one and is left to the second.
#[test]
fn a_curve_has_the_certified_parameters() {
    let misra_x = [
        77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0,
    ];
    let misra_y = [
        10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78,
    ];
    let (box_x, box_y) = (
        [1.0, 2.0, 3.0, 5.0, 7.0, 10.0],
        [109.0, 149.0, 149.0, 191.0, 213.0, 224.0],
    );
    let misra = ([238.94212918, 5.5015643181e-4], [2.7070075241, 7.2668688436e-6]);
    let boxed = ([213.80940889, 0.54723748542], [12.354515176, 0.10455993237]);
    let free = [(f64::NEG_INFINITY, f64::INFINITY); 2];
    let check = |x: &[f64], y: &[f64], start: [f64; 2], (values, errors): ([f64; 2], [f64; 2])| {
        let misfit = |b: &[f64], out: &mut [f64]| {
            for ((out, x), y) in out.iter_mut().zip(x).zip(y) {
                *out = y - b[0] * (1.0 - (-b[1] * x).exp());
            }
        };
        let fit = nonlinear(misfit, x.len(), &start, &free).unwrap();
        for number in 0..2 {
            near(fit.values[number], values[number], 6);
            near(fit.error(number), errors[number], 4);
        }
    };
    check(&misra_x, &misra_y, [500.0, 1e-4], misra);
    check(&misra_x, &misra_y, [250.0, 5e-4], misra);
    check(&box_x, &box_y, [100.0, 0.75], boxed);
}

#[test]
fn only_the_drive_changes_and_the_file_can_still_be_read() {
    let text = bellcrank_machine::builtin("yard-digger").unwrap();
    let machine = bellcrank_machine::read("yard-digger.toml", text).unwrap();
    let mut drive = machine.axes[1].drive.clone();
    drive.deadband = (0.1234, 0.0567);
    let new = changed("yard-digger.toml", text, &machine, &[(1, drive)], "2026-01-31").unwrap();
    let read = bellcrank_machine::read("yard-digger.toml", &new).unwrap();
    assert_eq!(read.axes[1].drive.deadband, (0.1234, 0.0567));
    assert_eq!(read.axes[2], machine.axes[2]);
    let kept: Vec<&str> = text.lines().filter(|line| !new.contains(*line)).collect();
    assert!(kept.is_empty(), "lost: {kept:?}");
    assert_eq!(new.lines().count(), text.lines().count() + 1);
}
