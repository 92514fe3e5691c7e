//! The beginning of a signal, kept while the capture goes by: what the picture shows of it.

use super::edges::Edge;

/// The signal from its first rise on, over some periods: the least and greatest voltage of each of some thousand pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct Excerpt {
    from: Option<f64>,
    width: f64,
    rises: usize,
    pieces: Vec<(f64, f64)>,
}

impl Excerpt {
    const PIECES: usize = 2048;
    const RISES: usize = 5;

    pub(super) fn new(width: f64) -> Excerpt {
        Excerpt {
            from: None,
            width: if width > 0.0 { width } else { 1.0 },
            rises: 0,
            pieces: Vec::new(),
        }
    }

    #[inline]
    pub(super) fn push(&mut self, time: f64, volt: f64, edge: Option<&Edge>) {
        if edge.is_some_and(|edge| edge.rising) {
            self.rises += 1;
            self.from.get_or_insert(time);
        }
        let Some(from) = self.from.filter(|_| self.rises < Self::RISES) else {
            return;
        };
        loop {
            // Time that runs backwards gives the first piece.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let place = ((time - from) / self.width) as usize;
            if place < Self::PIECES {
                self.pieces
                    .resize(self.pieces.len().max(place + 1), (f64::INFINITY, f64::NEG_INFINITY));
                let piece = &mut self.pieces[place];
                *piece = (piece.0.min(volt), piece.1.max(volt));
                return;
            }
            self.pieces = self
                .pieces
                .chunks(2)
                .map(|pair| {
                    pair.iter()
                        .fold(pair[0], |one, other| (one.0.min(other.0), one.1.max(other.1)))
                })
                .collect();
            self.width *= 2.0;
        }
    }

    /// Time after the first rise, s, and the least and greatest voltage from then on.
    pub fn points(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        let at = |(number, piece): (usize, &(f64, f64))| (number as f64 * self.width, piece.0, piece.1);
        self.pieces
            .iter()
            .enumerate()
            .filter(|(_, piece)| piece.0 <= piece.1)
            .map(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn some_periods_are_kept_from_the_first_rise_on() {
        let mut excerpt = Excerpt::new(1.0);
        for number in 0..200_000_i32 {
            let (time, phase) = (f64::from(number), number % 20_000);
            let edge = (phase == 10_000).then_some(Edge {
                at: time,
                rising: true,
                line: 0,
            });
            excerpt.push(time, if phase >= 10_000 { 5.0 } else { 0.0 }, edge.as_ref());
        }
        let points: Vec<_> = excerpt.points().collect();
        assert!(points.len() <= Excerpt::PIECES && points.len() > Excerpt::PIECES / 2);
        assert_eq!(points[0], (0.0, 5.0, 5.0));
        // Four periods: until the fifth rise.
        let last = points[points.len() - 1].0;
        assert!((79_000.0..80_000.0).contains(&last), "{last}");
    }
}
