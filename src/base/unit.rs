//! Pressure units, converted to pascal at the edge and nowhere else.

use serde::{Deserialize, Serialize};

/// A unit of pressure.
///
/// Factors: NIST Special Publication 811 (2008), appendix B.9; `mbar`, `hPa` and `kPa` are exact.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Unit {
    /// Pascal.
    #[serde(rename = "Pa")]
    Pascal,
    /// Hectopascal.
    #[serde(rename = "hPa")]
    Hectopascal,
    /// Kilopascal.
    #[serde(rename = "kPa")]
    Kilopascal,
    /// Millibar.
    #[serde(rename = "mbar")]
    Millibar,
    /// Conventional inch of water.
    #[serde(rename = "inH2O")]
    InchWater,
    /// Inch of water at 4 °C (39.2 °F).
    #[serde(rename = "inH2O_4C")]
    InchWater4C,
    /// Inch of water at 60 °F.
    #[serde(rename = "inH2O_60F")]
    InchWater60F,
    /// Conventional millimetre of water.
    #[serde(rename = "mmH2O")]
    MillimetreWater,
    /// Pound-force per square inch.
    #[serde(rename = "psi")]
    Psi,
}

impl Unit {
    /// Every unit known.
    pub const ALL: [Self; 9] = [
        Self::Pascal,
        Self::Hectopascal,
        Self::Kilopascal,
        Self::Millibar,
        Self::InchWater,
        Self::InchWater4C,
        Self::InchWater60F,
        Self::MillimetreWater,
        Self::Psi,
    ];

    /// The name by which tables and options call the unit.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Pascal => "Pa",
            Self::Hectopascal => "hPa",
            Self::Kilopascal => "kPa",
            Self::Millibar => "mbar",
            Self::InchWater => "inH2O",
            Self::InchWater4C => "inH2O_4C",
            Self::InchWater60F => "inH2O_60F",
            Self::MillimetreWater => "mmH2O",
            Self::Psi => "psi",
        }
    }

    /// How many pascal one unit is.
    ///
    /// ```
    /// use deadband::base::unit::Unit;
    /// assert_eq!(Unit::InchWater.in_pascal(), 249.0889);
    /// ```
    pub const fn in_pascal(self) -> f64 {
        match self {
            Self::Pascal => 1.0,
            Self::Hectopascal | Self::Millibar => 100.0,
            Self::Kilopascal => 1000.0,
            Self::InchWater => 249.0889,
            Self::InchWater4C => 249.082,
            Self::InchWater60F => 248.84,
            Self::MillimetreWater => 9.80665,
            Self::Psi => 6894.757,
        }
    }

    /// The unit with this symbol. Letter case must match; `None` means unknown, never a guess.
    ///
    /// ```
    /// use deadband::base::unit::Unit;
    /// assert_eq!(Unit::from_symbol("mbar"), Some(Unit::Millibar));
    /// assert_eq!(Unit::from_symbol("inch"), None);
    /// ```
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.symbol() == symbol)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Definitions, with the water densities 999.972 kg/m³ (4 °C) and 999.0 kg/m³ (60 °F) that
    /// reproduce the factors printed in NIST SP 811 (2008), table B.9.
    #[test]
    fn factors_follow_from_their_definitions() {
        const G: f64 = 9.80665;
        const INCH: f64 = 0.0254;
        let cases = [
            (Unit::InchWater, INCH * 1000.0 * G, 5.5e-5),
            (Unit::InchWater4C, INCH * 999.972 * G, 5.5e-4),
            (Unit::InchWater60F, INCH * 999.0 * G, 5.5e-3),
            (Unit::MillimetreWater, 0.001 * 1000.0 * G, 5.5e-6),
            (Unit::Psi, 0.453_592_37 * G / (INCH * INCH), 5.5e-4),
        ];
        for (unit, defined, tolerance) in cases {
            assert!((unit.in_pascal() - defined).abs() < tolerance, "{}", unit.symbol());
        }
    }

    #[test]
    fn symbols_round_trip() {
        for unit in Unit::ALL {
            assert_eq!(Unit::from_symbol(unit.symbol()), Some(unit));
        }
    }
}
