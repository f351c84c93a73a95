"""The reader of Rust sources that the project's rules stand on."""

from pathlib import Path

from rust_source import code_only, files_of_tests, imports, without_tests

SOURCE = """
//! Names crate::drift in prose only.
use crate::base::{Error, Result};
use crate::{
    lag::{Lag, rates::Rates},
    trace,
};
use super::state::Model;
/* crate::verdict */
const TEXT: &str = "crate::setpoint \\" .unwrap()";
const RAW: &str = r#"crate::setpoint "quoted" "#;
fn f<'a>(c: char, x: &'a str) -> bool { c == '"' || c == '\\'' || x == "}" }
#[cfg(test)]
use crate::simulate;
#[cfg(test)]
#[allow(dead_code)]
mod tests {
    fn g() { let x = [1; 2]; crate::condition::h(x).unwrap(); }
}
fn last() { crate::smooth::run(); }
"""


def test_imports_are_found_and_prose_strings_and_tests_are_not():
    found = imports(without_tests(code_only(SOURCE)), ["smooth", "path"])
    assert found == [
        (3, ["base"]),
        (4, ["lag"]),
        (4, ["trace"]),
        (8, ["smooth", "state"]),
        (20, ["smooth"]),
    ]


def test_code_only_keeps_line_numbers():
    assert code_only(SOURCE).count("\n") == SOURCE.count("\n")
    assert "unwrap" not in without_tests(code_only(SOURCE))


def test_super_from_a_folder_module_climbs_to_the_crate():
    assert imports("use super::drift::Trend;", ["lag"]) == [(1, ["drift"])]
    assert imports("use super::super::drift::Trend;", ["lag", "rates"]) == [(1, ["drift"])]


def test_test_only_files_are_recognised(tmp_path: Path):
    (tmp_path / "lag").mkdir()
    (tmp_path / "lag/mod.rs").write_text("#[cfg(test)]\nmod checks;\nmod rates;\n")
    assert tmp_path / "lag/checks.rs" in files_of_tests(tmp_path)
    assert tmp_path / "lag/rates.rs" not in files_of_tests(tmp_path)
