//! Events and recordings of a test in, evidence about the switch's condition out.

use polars::prelude::*;
use rayon::prelude::*;

use super::finding::{Finding, unknown};
use super::input::{Lists, Scalars, Values, text_row, without_nulls};
use super::output::{Row, struct_of_lists_column};
use super::schema::CONDITION;
use crate::base::{Error, Status};
use crate::condition::{
    Change, Chatter, ChatterConfig, ConditionConfig, HoldConfig, Leak, LeakConfig, Prior, Rating,
    Reach, Side, Sticking, StickingConfig, ambient, chatter, holds, leak, sticking, still,
};
use crate::trace::step::display_step;
use crate::verdict::Limits;

/// Kinds of sticking: direction and name.
const STICKING: [(bool, &str); 2] = [(true, "sticking_close"), (false, "sticking_open")];

/// Degrees of freedom that the repeatability of other tests counts for: enough for three cycles to
/// be evidence, few enough for a switch that repeats badly to be measured by itself.
const PRIOR_DOF: f64 = 2.0;

/// Number columns of the events: cycle, pressure, its u, bounces, width, rate, lag applied.
const NUMBERS: usize = 7;

/// Sticking and chatter of a test. Inputs: lists of event and status, the numbers; then what is
/// known of the lag's uncertainty and of the repeatability.
pub(super) fn evidence(inputs: &[Series], config: ConditionConfig) -> PolarsResult<Series> {
    let (event, status) = (inputs[0].list()?, inputs[1].list()?);
    let numbers = inputs[2..2 + NUMBERS].iter().map(Lists::new);
    let numbers = numbers.collect::<PolarsResult<Vec<_>>>()?;
    let scalars = inputs[2 + NUMBERS..].iter().map(Scalars::new);
    let scalars = scalars.collect::<PolarsResult<Vec<_>>>()?;
    let rows = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let texts = (text_row(event, row)?, text_row(status, row)?);
            let (Some(event), Some(status)) = texts else { return Ok(Vec::new()) };
            let number = |which: usize, i: usize| numbers[which].row(row).and_then(|v| v.get(i));
            let changes = (0..event.len()).map(|i| Told {
                close: event.get(i).map(|event| event == "close"),
                status: status.get(i).and_then(Status::from_code),
                change: change(event.get(i), &|which| number(which, i)),
            });
            let sticky = StickingConfig {
                alpha: config.alpha,
                lag_u_s: scalars[0].get(row).unwrap_or(0.0),
                prior: scalars[1].get(row).map(|sd_pa| Prior { sd_pa, dof: PRIOR_DOF }),
                ..StickingConfig::default()
            };
            let bouncy = ChatterConfig { alpha: config.alpha, ..ChatterConfig::default() };
            Ok(of_changes(&changes.collect::<Vec<_>>(), &sticky, &bouncy))
        })
        .collect::<PolarsResult<Vec<_>>>()?;
    struct_of_lists_column(CONDITION, rows.iter())
}

/// A row of the events, with the change if its numbers are there.
struct Told {
    close: Option<bool>,
    status: Option<Status>,
    change: Option<Change>,
}

fn change(event: Option<&str>, number: &dyn Fn(usize) -> Option<f64>) -> Option<Change> {
    #[expect(clippy::cast_possible_truncation, reason = "counts of one recording")]
    let count = |value: f64| value as i32;
    Some(Change {
        close: event? == "close",
        cycle: count(number(0)?),
        pressure_pa: number(1)?,
        u_pa: number(2)?,
        bounces: count(number(3)?),
        time_width_s: number(4)?,
        rate_pa_s: number(5)?,
        lag_applied: number(6) == Some(1.0),
    })
}

fn of_changes(told: &[Told], sticky: &StickingConfig, bouncy: &ChatterConfig) -> Vec<Row> {
    let changes: Vec<Change> = told.iter().filter_map(|one| one.change).collect();
    // Why there is nothing, where there is nothing.
    let fault = told.iter().find_map(|one| one.status.filter(|s| *s != Status::Ok));
    let nothing = changes.is_empty().then(|| fault.unwrap_or(Status::NoEvent));
    let mut rows = Vec::with_capacity(4);
    for (close, kind) in STICKING {
        let first = told.iter().find(|one| one.close == Some(close));
        let lost = first.filter(|one| one.change.is_none());
        let missing = lost.map(|one| one.status.unwrap_or(Status::MissingValue));
        rows.push(if let Some(status) = nothing {
            unknown(kind, "Pa", status, "there is no change of the contact with numbers")
        } else if let Some(status) = missing {
            unknown(kind, "Pa", status, "the first change of the test has no numbers")
        } else {
            match sticking(&changes, close, sticky) {
                Ok(found) => of_sticking(&found).row(kind, "Pa"),
                Err(error) => unknown(kind, "Pa", error.status(), &error.to_string()),
            }
        });
    }
    let per_change = "bounces a change";
    match (nothing, chatter(&changes, bouncy)) {
        (None, Ok(found)) => rows.extend(of_chatter(&found)),
        (status, found) => {
            let status = status.or(found.err().map(|error| error.status()));
            let reason = "there is no change of the contact with numbers";
            for (kind, unit) in [("chatter", per_change), ("chatter_width", "s")] {
                rows.push(unknown(kind, unit, status.unwrap_or(Status::NoEvent), reason));
            }
        }
    }
    rows
}

fn of_sticking(found: &Sticking) -> Finding {
    Finding {
        n: Some(found.n),
        p_value: Some(found.p_value),
        flagged: found.flagged,
        side: Some(found.side),
        sentence: found.sentence(),
        ..Finding::of(found.shift)
    }
}

fn of_chatter(found: &Chatter) -> [Row; 2] {
    let n = Some(found.n);
    let rate = Finding {
        value: Some(found.rate),
        u: Some((found.bounces as f64).sqrt() / found.n as f64),
        low: Some(found.rate_low),
        high: Some(found.rate_high),
        n,
        p_value: Some(found.p_value),
        flagged: found.flagged,
        side: Some(found.side),
        sentence: found.sentence(),
        ..Finding::default()
    };
    let width = Finding {
        value: Some(found.width_s),
        high: Some(found.widest_s),
        n,
        sentence: found.width_sentence(),
        ..Finding::default()
    };
    [rate.row("chatter", "bounces a change"), width.row("chatter_width", "s")]
}

/// What a recording itself shows: the leak of its holds, and how far the pressure went, whatever
/// the contact did. Inputs: time, pressure, contact, method. Only a ramp has holds in which the line
/// is shut: elsewhere a fan holds the pressure, and a leak does not show.
pub(super) fn recordings(inputs: &[Series], config: ConditionConfig) -> PolarsResult<Series> {
    let lists = inputs[..3].iter().map(Lists::new).collect::<PolarsResult<Vec<_>>>()?;
    let method = inputs[3].str()?;
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let shut = method.get(row) == Some("ramp");
            let values = |which: usize| lists[which].row(row);
            let (leaks, reach) = match values(0).zip(values(1)) {
                Some((time, pressure)) => {
                    let (time, pressure) = without_nulls(time, pressure);
                    let leaks =
                        if shut { of_holds(&time, &pressure, config) } else { Err(NO_HOLD) };
                    (leaks, reach(&pressure, values(2)))
                }
                None => (Err(Error::MissingValue { what: "a channel" }), None),
            };
            let mut rows = match leaks {
                Ok(found) => of_leak(&found),
                Err(error) => {
                    let none = error == NO_HOLD;
                    let reason = match (none, shut) {
                        (true, true) => NO_HOLD_FOUND.to_owned(),
                        (true, false) => NO_RAMP.to_owned(),
                        _ => error.to_string(),
                    };
                    let status = error.status();
                    let kinds = [("leak", "Pa/s"), ("leak_time_constant", "s")];
                    kinds.map(|(kind, unit)| unknown(kind, unit, status, &reason)).to_vec()
                }
            };
            rows.extend(reach.map(|reach| {
                let finding = Finding {
                    value: Some(reach.level),
                    u: Some(f64::from(u8::from(reach.logical))),
                    low: Some(reach.lowest_pa),
                    high: Some(reach.highest_pa),
                    ..Finding::default()
                };
                finding.row("reach", "Pa")
            }));
            rows
        })
        .collect();
    struct_of_lists_column(CONDITION, rows.iter())
}

fn reach(pressure: &[f64], contact: Option<Values<'_>>) -> Option<Reach> {
    let contact = contact?;
    let contact: Vec<f64> = (0..contact.len()).filter_map(|i| contact.get(i)).collect();
    Reach::of(pressure, &contact).ok()
}

/// A hold is looked at from this long after its start, s: the gauge comes to rest, and so does what
/// the pumping warmed. Our own.
const SETTLE_S: f64 = 1.0;

const NO_HOLD: Error =
    Error::TooFewSamples { what: "holds of 5 s or longer with the line shut", found: 0, needed: 1 };

const NO_HOLD_FOUND: &str = "no hold of 5 s or longer was found; a line that leaks so fast that the \
                             pressure never stands still looks the same";

const NO_RAMP: &str = "only a ramp has holds with the line shut";

/// The hold whose loss is the least likely, its p-value multiplied by their number (Bonferroni).
fn of_holds(time: &[f64], pressure: &[f64], config: ConditionConfig) -> Result<Leak, Error> {
    let options = HoldConfig::default();
    let found = holds(time, pressure, &options)?;
    let resolution_pa = display_step(pressure).unwrap_or(0.0);
    let half = 0.5 * options.window_s;
    let mut worst: Option<Leak> = None;
    for range in &found {
        let (from, to) = (time[range.start] + half + SETTLE_S, time[range.end - 1] - half);
        let start = time.partition_point(|&t| t < from);
        let end = time.partition_point(|&t| t <= to).max(start);
        let zero = ambient(time, pressure, range, resolution_pa)?;
        let settings = LeakConfig {
            ambient_pa: zero.pressure_pa,
            ambient_u_pa: zero.u_pa,
            ambient_rate_pa_s: zero.rate_pa_s,
            ambient_rate_u_pa_s: zero.rate_u_pa_s,
            resolution_pa,
            alpha: config.alpha / found.len() as f64,
            ..LeakConfig::default()
        };
        if let Ok(one) = leak(&time[start..end], &pressure[start..end], &settings)
            && worst.as_ref().is_none_or(|other| one.p_value < other.p_value)
        {
            worst = Some(one);
        }
    }
    let mut worst = worst.ok_or(NO_HOLD)?;
    worst.p_value = (worst.p_value * found.len() as f64).min(1.0);
    Ok(worst)
}

fn of_leak(found: &Leak) -> Vec<Row> {
    let n = Some(found.n);
    let rate = Finding {
        n,
        p_value: Some(found.p_value),
        flagged: found.flagged,
        side: Some(found.side),
        sentence: found.sentence(),
        ..Finding::of(found.rate_pa_s)
    };
    let (low, high) = found.time_constant_interval_s;
    let known = found.time_constant_s;
    let time_constant = Finding {
        value: known.map(|t| t.value),
        u: known.map(|t| t.u),
        dof: known.map(|t| t.dof),
        low,
        high,
        n,
        sentence: found.time_constant_sentence(),
        ..Finding::default()
    };
    vec![rate.row("leak", "Pa/s"), time_constant.row("leak_time_constant", "s")]
}

/// Whether the contact changed at all. Inputs: number of changes, status of the events; lowest and
/// highest pressure, level of the contact and whether it is logical; action, rating, tolerance.
pub(super) fn no_change(inputs: &[Series], config: ConditionConfig) -> PolarsResult<Series> {
    let numbers = [0, 2, 3, 4, 5, 7, 8].map(|which: usize| Scalars::new(&inputs[which]));
    let numbers = numbers.into_iter().collect::<PolarsResult<Vec<_>>>()?;
    let (status, action) = (inputs[1].str()?, inputs[6].str()?);
    let rows =
        (0..inputs[1].len()).map(|row| {
            let number = |which: usize| numbers[which].get(row);
            let reach =
                number(1).zip(number(2)).zip(number(3)).map(|((lowest_pa, highest_pa), level)| {
                    Reach { lowest_pa, highest_pa, level, logical: number(4) == Some(1.0) }
                });
            let limits = number(5).zip(number(6));
            let limits =
                limits.and_then(|(rated, tolerance)| Limits::of_rating(rated, tolerance).ok());
            let rating = limits.zip(action.get(row)).map(|(limits, action)| Rating {
                low_pa: limits.low,
                high_pa: limits.high,
                close: action == "rise",
            });
            let code = status.get(row).and_then(Status::from_code).unwrap_or(Status::Ok);
            vec![of_still(number(0).unwrap_or(0.0), code, reach, rating, config)]
        });
    struct_of_lists_column(CONDITION, rows.collect::<Vec<_>>().iter())
}

fn of_still(
    changes: f64,
    status: Status,
    reach: Option<Reach>,
    rating: Option<Rating>,
    config: ConditionConfig,
) -> Row {
    let (kind, unit) = ("no_change", "changes");
    let numbers = |sentence: String, flagged: bool, side: Side| Finding {
        value: Some(changes),
        low: reach.map(|r| r.lowest_pa),
        high: reach.map(|r| r.highest_pa),
        flagged,
        side: Some(side),
        sentence,
        ..Finding::default()
    };
    if changes > 0.0 {
        let sentence = format!("The contact changed {changes:.0} times.");
        return numbers(sentence, false, Side::None).row(kind, unit);
    }
    if status != Status::NoEvent {
        return unknown(kind, unit, status, "the recording gave no changes of the contact");
    }
    let Some((reach, rating)) = reach.zip(rating) else {
        let reason = "the contact never changed, and whether it should have cannot be told without \
                      the recording and the rating of the switch";
        return unknown(kind, unit, Status::MissingValue, reason);
    };
    let found = still(reach, rating, config.closed);
    numbers(found.sentence(), found.flagged, found.side).row(kind, unit)
}
