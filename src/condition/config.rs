//! What a caller may choose for all the evidence together.

use serde::{Deserialize, Serialize};

use crate::base::{Error, Result};
use crate::trace::Sense;

/// Options of the evidence tables.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ConditionConfig {
    /// Largest p-value at which a finding is flagged: the share of sound tests that each kind of
    /// finding flags.
    pub alpha: f64,
    /// Which level of the contact channel means closed; absent: a low one, as for a meter across
    /// the contact.
    pub closed: Option<Sense>,
}

impl Default for ConditionConfig {
    fn default() -> Self {
        Self { alpha: 0.01, closed: None }
    }
}

impl ConditionConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] for an `alpha` that is no probability between 0 and a half.
    pub fn validate(&self) -> Result<()> {
        if self.alpha > 0.0 && self.alpha < 0.5 {
            return Ok(());
        }
        Err(Error::BadValue { what: "alpha", value: self.alpha, must: "above 0 and below 0.5" })
    }
}
