//! Thins a curve for drawing: of each column of the picture the lowest and
//! the highest reading are kept, so that no extreme is lost however long the
//! session is. Memory is that of the columns. Figures never come from here.

/// Columns of a picture. Two readings are kept of each, so a curve has at
/// most twice as many points.
pub(super) const COLUMNS: usize = 600;

/// A point in the units of the axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    /// Along the picture.
    pub x: f64,
    /// Upwards.
    pub y: f64,
}

#[derive(Clone, Copy, Debug)]
struct Column {
    low: Point,
    high: Point,
    /// A gap ends in this column: no line comes to it from the left.
    after_gap: bool,
}

/// A curve, thinned while it is given.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    from: f64,
    span: f64,
    columns: Vec<Option<Column>>,
    gap_pending: bool,
}

impl Curve {
    /// A curve over this stretch of the axis.
    pub(super) fn new(from: f64, to: f64) -> Curve {
        let span = (to - from).max(f64::MIN_POSITIVE);
        Curve { from, span, columns: vec![None; COLUMNS], gap_pending: false }
    }

    /// Takes a reading. What lies outside the stretch is left out.
    pub(super) fn push(&mut self, point: Point) {
        let Some(at) = column(point.x, self.from, self.span) else { return };
        if !point.y.is_finite() {
            return;
        }
        let after_gap = std::mem::take(&mut self.gap_pending);
        let Some(cell) = self.columns.get_mut(at) else { return };
        match cell {
            None => *cell = Some(Column { low: point, high: point, after_gap }),
            Some(column) => {
                column.after_gap |= after_gap;
                if point.y < column.low.y {
                    column.low = point;
                }
                if point.y > column.high.y {
                    column.high = point;
                }
            }
        }
    }

    /// Nothing was read between the last reading and the next one.
    pub(super) fn gap(&mut self) {
        self.gap_pending = true;
    }

    /// The curve in strokes; no line joins one stroke to the next.
    pub(super) fn strokes(&self) -> Vec<Vec<Point>> {
        let mut strokes: Vec<Vec<Point>> = Vec::new();
        for column in self.columns.iter().flatten() {
            if column.after_gap || strokes.is_empty() {
                strokes.push(Vec::new());
            }
            let (first, last) = match column.low.x <= column.high.x {
                true => (column.low, column.high),
                false => (column.high, column.low),
            };
            if let Some(stroke) = strokes.last_mut() {
                stroke.push(first);
                stroke.extend((last != first).then_some(last));
            }
        }
        strokes
    }

    /// The lowest and the highest reading.
    pub(super) fn extremes(&self) -> Option<(f64, f64)> {
        let columns = || self.columns.iter().flatten();
        let low = columns().map(|column| column.low.y).reduce(f64::min)?;
        Some((low, columns().map(|column| column.high.y).reduce(f64::max)?))
    }
}

/// Stretches of an axis, to the width of a column.
#[derive(Clone, Debug)]
pub(super) struct Stretches {
    from: f64,
    span: f64,
    columns: Vec<bool>,
}

impl Stretches {
    /// None yet, over this stretch of the axis.
    pub(super) fn new(from: f64, to: f64) -> Stretches {
        let span = (to - from).max(f64::MIN_POSITIVE);
        Stretches { from, span, columns: vec![false; COLUMNS] }
    }

    /// Marks a stretch; what lies outside is cut off.
    pub(super) fn mark(&mut self, from: f64, to: f64) {
        let end = self.from + self.span;
        if to < self.from || from > end {
            return;
        }
        let at = |x: f64| column(x.clamp(self.from, end), self.from, self.span);
        if let (Some(first), Some(last)) = (at(from), at(to))
            && let Some(marked) = self.columns.get_mut(first..=last)
        {
            marked.fill(true);
        }
    }

    /// The stretches, as beginning and end on the axis.
    pub(super) fn all(&self) -> Vec<(f64, f64)> {
        let place = |at: usize| self.from + self.span * at as f64 / COLUMNS as f64;
        let mut all = Vec::new();
        let mut at = 0;
        for run in self.columns.chunk_by(|a, b| a == b) {
            if run.first() == Some(&true) {
                all.push((place(at), place(at + run.len())));
            }
            at += run.len();
        }
        all
    }
}

fn column(x: f64, from: f64, span: f64) -> Option<usize> {
    let share = (x - from) / span;
    (0.0..=1.0).contains(&share).then(|| ((share * COLUMNS as f64) as usize).min(COLUMNS - 1))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(points: &[(f64, f64)], from: f64, to: f64) -> Curve {
        let mut curve = Curve::new(from, to);
        points.iter().for_each(|(x, y)| curve.push(Point { x: *x, y: *y }));
        curve
    }

    #[test]
    fn a_spike_of_one_reading_in_a_million_is_drawn() {
        let mut curve = Curve::new(0.0, 1e6);
        for i in 0..1_000_000_u32 {
            let y = if i == 654_321 { 31.7 } else { 26.4 };
            curve.push(Point { x: f64::from(i), y });
        }
        let points: Vec<Point> = curve.strokes().concat();
        assert!(points.len() <= 2 * COLUMNS, "{}", points.len());
        assert!(points.contains(&Point { x: 654_321.0, y: 31.7 }));
        assert_eq!(curve.extremes(), Some((26.4, 31.7)));
    }

    #[test]
    fn a_gap_parts_the_strokes() {
        let mut curve = of(&[(0.0, 1.0), (100.0, 2.0)], 0.0, 600.0);
        curve.gap();
        curve.push(Point { x: 400.0, y: 3.0 });
        curve.push(Point { x: 500.0, y: 4.0 });
        let strokes = curve.strokes();
        assert_eq!(strokes.len(), 2);
        assert_eq!(strokes[0].last(), Some(&Point { x: 100.0, y: 2.0 }));
        assert_eq!(strokes[1].first(), Some(&Point { x: 400.0, y: 3.0 }));
    }

    #[test]
    fn a_gap_narrower_than_a_column_parts_the_strokes_too() {
        let mut curve = of(&[(0.0, 1.0), (300.2, 2.0)], 0.0, 600.0);
        curve.gap();
        curve.push(Point { x: 300.6, y: 3.0 });
        curve.push(Point { x: 310.0, y: 3.0 });
        assert_eq!(curve.strokes().len(), 2);
    }

    #[test]
    fn what_is_no_number_or_outside_is_left_out() {
        let curve = of(&[(-1.0, 5.0), (1.0, f64::NAN), (2.0, f64::INFINITY)], 0.0, 10.0);
        assert_eq!((curve.strokes().len(), curve.extremes()), (0, None));
    }

    #[test]
    fn stretches_are_joined_where_they_touch_and_never_vanish() {
        let mut stretches = Stretches::new(0.0, 600.0);
        stretches.mark(10.2, 10.3);
        stretches.mark(20.0, 29.5);
        stretches.mark(30.0, 39.5);
        assert_eq!(stretches.all(), [(10.0, 11.0), (20.0, 40.0)]);
    }

    proptest! {
        #[test]
        fn extremes_are_kept_and_points_are_few(
            ys in prop::collection::vec(-1e3_f64..1e3, 1..3000)
        ) {
            let points: Vec<(f64, f64)> =
                ys.iter().enumerate().map(|(i, y)| (i as f64, *y)).collect();
            let curve = of(&points, 0.0, ys.len() as f64);
            let drawn: Vec<Point> = curve.strokes().concat();
            prop_assert!(drawn.len() <= 2 * COLUMNS);
            prop_assert!(drawn.windows(2).all(|pair| pair[0].x <= pair[1].x));
            let low = ys.iter().copied().reduce(f64::min);
            let high = ys.iter().copied().reduce(f64::max);
            prop_assert_eq!(curve.extremes(), low.zip(high));
            let drawn_low = drawn.iter().map(|p| p.y).reduce(f64::min);
            prop_assert_eq!(drawn_low, low);
        }
    }
}
