//! The nearest numbers that never fall.

/// The numbers, none less than the one before, that lie nearest to `values` in the sense of weighted least squares: neighbours that fall are pooled
/// until none does (Ayer, Brunk, Ewing, Reid, Silverman, *Annals of Mathematical Statistics* 26, 1955; from memory).
pub fn rising(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut pools: Vec<(f64, f64, usize)> = Vec::new();
    for (&value, &weight) in values.iter().zip(weights) {
        let mut pool = (value, weight, 1);
        while let Some(&(below, of, count)) = pools.last().filter(|below| below.0 > pool.0) {
            let weight = of + pool.1;
            pool = ((below * of + pool.0 * pool.1) / weight, weight, count + pool.2);
            pools.pop();
        }
        pools.push(pool);
    }
    pools
        .into_iter()
        .flat_map(|(value, _, count)| std::iter::repeat_n(value, count))
        .collect()
}
