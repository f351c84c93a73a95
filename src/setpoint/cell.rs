//! An event as the interval in which its switching pressure lay.

/// One event of a direction: its switching pressure lay in an interval, whose place is known so well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cell {
    /// Middle of the interval, Pa.
    pub(super) middle: f64,
    /// Half its width, Pa.
    pub(super) half: f64,
    /// Variance of its place, Pa²: both ends move together.
    pub(super) variance: f64,
}
