//! Names and types of the columns that the kernels make.

use polars::prelude::*;

/// Type of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Float,
    Int,
    Bool,
    Text,
}

impl Kind {
    pub(crate) fn dtype(self) -> DataType {
        match self {
            Self::Float => DataType::Float64,
            Self::Int => DataType::Int32,
            Self::Bool => DataType::Boolean,
            Self::Text => DataType::String,
        }
    }

    /// The name by which Python knows the type.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Float => "f64",
            Self::Int => "i32",
            Self::Bool => "bool",
            Self::Text => "str",
        }
    }
}

/// Columns of a table, in order.
pub(crate) type Columns = &'static [(&'static str, Kind)];

pub(crate) const EVENTS: Columns = &[
    ("cycle", Kind::Int),
    ("event", Kind::Text),
    ("time_s", Kind::Float),
    ("time_width_s", Kind::Float),
    ("reading_pa", Kind::Float),
    ("pressure_pa", Kind::Float),
    ("rate_pa_s", Kind::Float),
    ("var_pressure", Kind::Float),
    ("cov_pressure_rate", Kind::Float),
    ("var_rate", Kind::Float),
    ("bounces", Kind::Int),
    ("model", Kind::Text),
    ("lag_applied", Kind::Bool),
    ("noise_pa", Kind::Float),
    ("step_pa", Kind::Float),
    ("var_common", Kind::Float),
    ("clock_u_s", Kind::Float),
    ("bracket_shift_pa", Kind::Float),
    ("corner", Kind::Bool),
    ("sudden", Kind::Bool),
    ("status", Kind::Text),
];

pub(crate) const LAGS: Columns = &[
    ("lag_s", Kind::Float),
    ("lag_u_s", Kind::Float),
    ("dof", Kind::Float),
    ("n_events", Kind::Int),
    ("dead_time_s", Kind::Float),
    ("time_constant_s", Kind::Float),
    ("source", Kind::Text),
    ("repeatability_pa", Kind::Float),
    ("between_tests_pa", Kind::Float),
    ("dead_time_u_s", Kind::Float),
    ("time_constant_u_s", Kind::Float),
    ("hold_s", Kind::Float),
    ("behind", Kind::Text),
    ("n_routes", Kind::Int),
    ("q", Kind::Float),
    ("p_consistent", Kind::Float),
    ("between_routes_s", Kind::Float),
    ("reason", Kind::Text),
    ("status", Kind::Text),
];

pub(crate) const SETPOINTS: Columns = &[
    ("close_pa", Kind::Float),
    ("close_u_pa", Kind::Float),
    ("close_dof", Kind::Float),
    ("open_pa", Kind::Float),
    ("open_u_pa", Kind::Float),
    ("open_dof", Kind::Float),
    ("deadband_pa", Kind::Float),
    ("deadband_u_pa", Kind::Float),
    ("deadband_dof", Kind::Float),
    ("repeatability_pa", Kind::Float),
    ("n_close", Kind::Int),
    ("n_open", Kind::Int),
    ("lag_correction_pa", Kind::Float),
    ("bracket_model", Kind::Text),
    ("status", Kind::Text),
    ("excess_pa2", Kind::Float),
    ("excess_dof", Kind::Float),
    ("known_pa2", Kind::Float),
    ("bracket_pa2", Kind::Float),
];

pub(crate) const BUDGET: Columns = &[
    ("quantity", Kind::Text),
    ("source", Kind::Text),
    ("u_pa", Kind::Float),
    ("dof", Kind::Float),
];

pub(crate) const VERDICTS: Columns = &[
    ("p_conform", Kind::Float),
    ("p_conform_other", Kind::Float),
    ("p_unsafe", Kind::Float),
    ("p_nuisance", Kind::Float),
    ("verdict", Kind::Text),
    ("limit_low_pa", Kind::Float),
    ("limit_high_pa", Kind::Float),
    ("rule", Kind::Text),
    ("verdict_status", Kind::Text),
];

pub(crate) const TRENDS: Columns = &[
    ("n_tests", Kind::Int),
    ("slope_pa_year", Kind::Float),
    ("slope_u_pa_year", Kind::Float),
    ("slope_dof", Kind::Float),
    ("level_pa", Kind::Float),
    ("level_u_pa", Kind::Float),
    ("level_dof", Kind::Float),
    ("excess_pa", Kind::Float),
    ("sen_pa_year", Kind::Float),
    ("sen_low_pa_year", Kind::Float),
    ("sen_high_pa_year", Kind::Float),
    ("kendall_tau", Kind::Float),
    ("p_trend", Kind::Float),
    ("p_below", Kind::Float),
    ("outlook", Kind::Text),
    ("crossing", Kind::Float),
    ("crossing_low", Kind::Float),
    ("crossing_high", Kind::Float),
    ("p_towards", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const CONDITION: Columns = &[
    ("kind", Kind::Text),
    ("value", Kind::Float),
    ("u", Kind::Float),
    ("dof", Kind::Float),
    ("low", Kind::Float),
    ("high", Kind::Float),
    ("unit", Kind::Text),
    ("n", Kind::Int),
    ("p_value", Kind::Float),
    ("flagged", Kind::Bool),
    ("side", Kind::Text),
    ("sentence", Kind::Text),
    ("status", Kind::Text),
];

/// Every table with its name.
pub(crate) const INFLUENCE: Columns = &[
    ("residual_pa", Kind::Float),
    ("leverage", Kind::Float),
    ("deviation", Kind::Float),
    ("deviation_dof", Kind::Float),
    ("p_value", Kind::Float),
    ("outlier", Kind::Bool),
    ("status", Kind::Text),
];

pub(crate) const CHANGES: Columns = &[
    ("p_value", Kind::Float),
    ("p_change", Kind::Float),
    ("p_steady", Kind::Float),
    ("p_shift", Kind::Float),
    ("p_drift", Kind::Float),
    ("p_drift_and_shift", Kind::Float),
    ("change_after", Kind::Float),
    ("change_before", Kind::Float),
    ("tests_before", Kind::Int),
    ("size_pa", Kind::Float),
    ("size_u_pa", Kind::Float),
    ("size_dof", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const LEVELS: Columns = &[
    ("level", Kind::Int),
    ("level_first", Kind::Float),
    ("level_last", Kind::Float),
    ("n_tests", Kind::Int),
    ("level_pa", Kind::Float),
    ("level_u_pa", Kind::Float),
    ("level_dof", Kind::Float),
    ("step_pa", Kind::Float),
    ("step_u_pa", Kind::Float),
    ("step_after", Kind::Float),
    ("step_before", Kind::Float),
    ("p_value", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const STEPS: Columns = &[
    ("step", Kind::Float),
    ("step_pa", Kind::Float),
    ("step_u_pa", Kind::Float),
    ("step_dof", Kind::Float),
    ("p_value", Kind::Float),
    ("slope_pa_year", Kind::Float),
    ("slope_u_pa_year", Kind::Float),
    ("slope_without_pa_year", Kind::Float),
    ("slope_without_u_pa_year", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const CHARTS: Columns = &[
    ("statistic", Kind::Float),
    ("lower_statistic", Kind::Float),
    ("low", Kind::Float),
    ("high", Kind::Float),
    ("signal", Kind::Text),
    ("range_pa", Kind::Float),
    ("range_high_pa", Kind::Float),
    ("range_signal", Kind::Bool),
    ("target_pa", Kind::Float),
    ("sd_pa", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const CROSSINGS: Columns = &[
    ("p_out", Kind::Float),
    ("p_out_until", Kind::Float),
    ("p_towards", Kind::Float),
    ("outlook", Kind::Text),
    ("crossing", Kind::Float),
    ("crossing_low", Kind::Float),
    ("crossing_high", Kind::Float),
    ("status", Kind::Text),
];

pub(crate) const TABLES: &[(&str, Columns)] = &[
    ("events", EVENTS),
    ("lags", LAGS),
    ("setpoints", SETPOINTS),
    ("budget", BUDGET),
    ("verdicts", VERDICTS),
    ("trends", TRENDS),
    ("influence", INFLUENCE),
    ("crossings", CROSSINGS),
    ("changes", CHANGES),
    ("charts", CHARTS),
    ("levels", LEVELS),
    ("steps", STEPS),
    ("condition", CONDITION),
];

/// A struct of these columns.
pub(crate) fn struct_of(columns: Columns) -> DataType {
    DataType::Struct(fields(columns, Kind::dtype).collect())
}

/// A struct of lists of these columns: several rows for each row of the input.
pub(crate) fn struct_of_lists(columns: Columns) -> DataType {
    DataType::Struct(fields(columns, |kind| DataType::List(Box::new(kind.dtype()))).collect())
}

fn fields(columns: Columns, dtype: impl Fn(Kind) -> DataType) -> impl Iterator<Item = Field> {
    columns.iter().map(move |&(name, kind)| Field::new(name.into(), dtype(kind)))
}
