//! The expression plugin: each function unpacks its columns and calls the adapter of its name.
#![allow(unsafe_code, reason = "the macro exports C functions")]
#![allow(
    clippy::needless_pass_by_value,
    clippy::unnecessary_wraps,
    reason = "the macro fixes the signatures"
)]

use polars::prelude::*;
use pyo3_polars::derive::polars_expr;
use serde::Deserialize;

use super::changes::{self, ChangesConfig};
use super::charts::{self, ChartConfig};
use super::schema::{
    BUDGET, CHANGES, CHARTS, CONDITION, CROSSINGS, EVENTS, INFLUENCE, LAGS, LEVELS, SETPOINTS,
    STEPS, TRENDS, VERDICTS, struct_of, struct_of_lists,
};
use super::{conform, crossings as lines, events, evidence, fellows, histories, lags, points};
use crate::condition::ConditionConfig;
use crate::drift::TrendConfig;
use crate::lag::LagConfig;
use crate::smooth::EventConfig;
use crate::verdict::JudgeConfig;

/// Options come as one value, so that an unknown one is refused by name.
#[derive(Deserialize)]
struct Options<T> {
    options: T,
}

fn events_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("events".into(), struct_of_lists(EVENTS)))
}

#[polars_expr(output_type_func=events_type)]
fn fit_events(inputs: &[Series], kwargs: Options<EventConfig>) -> PolarsResult<Series> {
    events::events(inputs, &kwargs.options)
}

fn lags_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("lags".into(), struct_of(LAGS)))
}

#[polars_expr(output_type_func=lags_type)]
fn lag_from_rates(inputs: &[Series], kwargs: Options<LagConfig>) -> PolarsResult<Series> {
    lags::lags(inputs, &kwargs.options)
}

fn setpoints_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("setpoints".into(), struct_of(SETPOINTS)))
}

#[polars_expr(output_type_func=setpoints_type)]
fn setpoints(inputs: &[Series]) -> PolarsResult<Series> {
    points::setpoints(inputs)
}

fn budgets_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("budgets".into(), struct_of_lists(BUDGET)))
}

#[polars_expr(output_type_func=budgets_type)]
fn budgets(inputs: &[Series]) -> PolarsResult<Series> {
    points::budgets(inputs)
}

fn verdicts_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("verdicts".into(), struct_of(VERDICTS)))
}

#[polars_expr(output_type_func=verdicts_type)]
fn judge(inputs: &[Series], kwargs: Options<JudgeConfig>) -> PolarsResult<Series> {
    conform::verdicts(inputs, &kwargs.options)
}

fn trends_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("trends".into(), struct_of(TRENDS)))
}

#[polars_expr(output_type_func=trends_type)]
fn trends(inputs: &[Series], kwargs: Options<TrendConfig>) -> PolarsResult<Series> {
    histories::trends(inputs, &kwargs.options)
}

fn influence_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("influence".into(), struct_of_lists(INFLUENCE)))
}

#[polars_expr(output_type_func=influence_type)]
fn influence(inputs: &[Series], kwargs: Options<TrendConfig>) -> PolarsResult<Series> {
    histories::influence(inputs, &kwargs.options)
}

fn changes_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("changes".into(), struct_of(CHANGES)))
}

#[polars_expr(output_type_func=changes_type)]
fn changes_of_level(inputs: &[Series], kwargs: Options<ChangesConfig>) -> PolarsResult<Series> {
    changes::one(inputs, &kwargs.options)
}

fn levels_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("levels".into(), struct_of_lists(LEVELS)))
}

#[polars_expr(output_type_func=levels_type)]
fn levels(inputs: &[Series], kwargs: Options<ChangesConfig>) -> PolarsResult<Series> {
    changes::levels(inputs, &kwargs.options)
}

fn steps_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("steps".into(), struct_of_lists(STEPS)))
}

#[polars_expr(output_type_func=steps_type)]
fn known_steps(inputs: &[Series], kwargs: Options<ChangesConfig>) -> PolarsResult<Series> {
    changes::steps(inputs, &kwargs.options)
}

fn charts_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("charts".into(), struct_of_lists(CHARTS)))
}

#[polars_expr(output_type_func=charts_type)]
fn chart(inputs: &[Series], kwargs: Options<ChartConfig>) -> PolarsResult<Series> {
    charts::charts(inputs, &kwargs.options)
}

fn crossings_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("crossings".into(), struct_of(CROSSINGS)))
}

#[polars_expr(output_type_func=crossings_type)]
fn crossings(inputs: &[Series]) -> PolarsResult<Series> {
    lines::crossings(inputs)
}

fn condition_type(_: &[Field]) -> PolarsResult<Field> {
    Ok(Field::new("condition".into(), struct_of_lists(CONDITION)))
}

#[polars_expr(output_type_func=condition_type)]
fn condition(inputs: &[Series], kwargs: Options<ConditionConfig>) -> PolarsResult<Series> {
    evidence::evidence(inputs, kwargs.options)
}

#[polars_expr(output_type_func=condition_type)]
fn recordings(inputs: &[Series], kwargs: Options<ConditionConfig>) -> PolarsResult<Series> {
    evidence::recordings(inputs, kwargs.options)
}

#[polars_expr(output_type_func=condition_type)]
fn no_change(inputs: &[Series], kwargs: Options<ConditionConfig>) -> PolarsResult<Series> {
    evidence::no_change(inputs, kwargs.options)
}

#[polars_expr(output_type_func=condition_type)]
fn model_setpoints(inputs: &[Series], kwargs: Options<ConditionConfig>) -> PolarsResult<Series> {
    fellows::setpoints(inputs, kwargs.options)
}

#[polars_expr(output_type_func=condition_type)]
fn model_scatter(inputs: &[Series], kwargs: Options<ConditionConfig>) -> PolarsResult<Series> {
    fellows::repeats(inputs, kwargs.options)
}
