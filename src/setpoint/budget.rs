//! An uncertainty budget, line by line.

use serde::{Deserialize, Serialize};

use crate::base::{Estimate, estimate::welch_satterthwaite};

/// Where a contribution comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// The smoothed signal at the instant of the change, without the display's rounding.
    Reading,
    /// The contact changed somewhere between two samples.
    Bracket,
    /// The display rounds.
    Resolution,
    /// The switch does not repeat exactly.
    Repeatability,
    /// The gauge's lag is known only so well.
    Lag,
    /// What all events of a direction err alike in, and no mean reduces: how the mean lag splits into
    /// dead time and time constant, where behind the corner of a fall the contact changed, and how late
    /// a held display turned between two samples.
    Common,
    /// The gauge's stated accuracy.
    Accuracy,
}

impl Source {
    /// Every source, in the order of the budget.
    pub const ALL: [Self; 7] = [
        Self::Reading,
        Self::Bracket,
        Self::Resolution,
        Self::Repeatability,
        Self::Lag,
        Self::Common,
        Self::Accuracy,
    ];

    /// The name in the `source` column.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Reading => "reading",
            Self::Bracket => "bracket",
            Self::Resolution => "resolution",
            Self::Repeatability => "repeatability",
            Self::Lag => "lag",
            Self::Common => "common",
            Self::Accuracy => "accuracy",
        }
    }
}

/// One contribution, as it enters the result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Where it comes from.
    pub source: Source,
    /// Contribution to the standard uncertainty of the result, `|c| u`, Pa.
    pub u_pa: f64,
    /// Its degrees of freedom.
    pub dof: f64,
}

/// The lines of one result. A line that is absent was not evaluated; a line of zero was.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Budget {
    /// Independent contributions.
    pub lines: Vec<Line>,
}

impl Budget {
    /// Combined standard uncertainty (root sum of squares, JCGM 100 equation 10) and effective
    /// degrees of freedom (Welch–Satterthwaite, equation G.2b) about `value`.
    ///
    /// ```
    /// use deadband::setpoint::{Budget, Line, Source};
    /// let budget = Budget { lines: vec![
    ///     Line { source: Source::Reading, u_pa: 0.3, dof: f64::INFINITY },
    ///     Line { source: Source::Repeatability, u_pa: 0.4, dof: 8.0 },
    /// ] };
    /// let open = budget.estimate(60.0);
    /// assert!((open.u - 0.5).abs() < 1e-12);
    /// assert!((open.dof - 0.0625 / (0.0256 / 8.0)).abs() < 1e-9);
    /// ```
    pub fn estimate(&self, value: f64) -> Estimate {
        let square: f64 = self.lines.iter().map(|line| line.u_pa * line.u_pa).sum();
        let dof = welch_satterthwaite(self.lines.iter().map(|line| (line.u_pa, line.dof)));
        Estimate { value, u: square.sqrt(), dof }
    }

    /// The contribution of one source, if it was evaluated.
    pub fn line(&self, source: Source) -> Option<&Line> {
        self.lines.iter().find(|line| line.source == source)
    }

    pub(super) fn push(&mut self, source: Source, u_pa: f64, dof: f64) {
        self.lines.push(Line { source, u_pa, dof });
    }
}
