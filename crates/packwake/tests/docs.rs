//! The docs: every example is read, the reference is the program's own, the tutorial works as written.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn text(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).expect("a file of the repository")
}

fn packwake(arguments: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_packwake");
    Command::new(program).args(arguments).current_dir(root()).output().expect("the program runs")
}

/// The fenced blocks of TOML in a page.
fn blocks(page: &str) -> Vec<&str> {
    let mut blocks = Vec::new();
    let mut rest = page;
    while let Some((_, after)) = rest.split_once("```toml\n") {
        let (block, after) = after.split_once("```").expect("a block ends");
        blocks.push(block);
        rest = after;
    }
    blocks
}

#[test]
fn every_block_of_the_language_page_is_a_sound_file() {
    let page = text("docs/protocol-language.md");
    let blocks = blocks(&page);
    assert!(blocks.len() >= 9, "{}", blocks.len());
    for block in blocks {
        let (protocol, faults) = parser::Protocol::parse(block);
        let errors: Vec<_> = faults.iter().filter(|fault| fault.level == model::Level::Error).collect();
        assert!(errors.is_empty(), "{block}\n{errors:#?}");
        let failed = parser::check_examples(&Arc::new(protocol.expect("without errors")), block);
        assert!(failed.is_empty(), "{block}\n{failed:#?}");
    }
}

#[test]
fn the_reference_is_the_programs_own() {
    let page = text("docs/protocol-language.md");
    let (_, written) = page.split_once("<!-- reference -->\n\n").expect("the mark");
    let printed = packwake(&["schema", "protocol", "--reference"]);
    assert_eq!(
        written.trim_end(),
        String::from_utf8_lossy(&printed.stdout).trim_end(),
        "paste the output of `packwake schema protocol --reference` behind the mark"
    );
}

#[test]
fn the_schema_lists_every_key_and_is_json() {
    for (kind, keys) in
        [("protocol", ["start", "counts", "steinhart_hart"]), ("pack", ["cell_high", "on_delay", "waivers"])]
    {
        let printed = packwake(&["schema", kind]);
        let schema: serde_json::Value = serde_json::from_slice(&printed.stdout).expect("JSON");
        assert_eq!(schema["$schema"], "http://json-schema.org/draft-07/schema#");
        let all = schema.to_string();
        for key in keys {
            assert!(all.contains(&format!("\"{key}\":{{")), "{kind}: {key}");
        }
    }
}

#[test]
fn the_tutorial_works_as_written() {
    let page = text("docs/tutorial/README.md");
    let (protocol, pack) = (text("docs/tutorial/meadow.toml"), text("docs/tutorial/meadow-pack.toml"));
    let blocks = blocks(&page);
    assert_eq!(blocks.len(), 5);
    for (number, block) in blocks.iter().enumerate() {
        let file = if number < 3 { &protocol } else { &pack };
        assert!(file.contains(block), "step {number} does not stand in the file:\n{block}");
    }
    let checked = packwake(&["check", "docs/tutorial/meadow.toml", "docs/tutorial/meadow-pack.toml"]);
    let said = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(checked.status.success() && said.contains("1 example"), "{said}");

    let arguments = ["--protocol", "docs/tutorial/meadow.toml", "--pack", "docs/tutorial/meadow-pack.toml"];
    let replayed = packwake(&[&["replay", "docs/tutorial/meadow.bin"], &arguments[..]].concat());
    let said = String::from_utf8_lossy(&replayed.stdout).into_owned();
    assert_eq!(replayed.status.code(), Some(3), "{said}");
    for expected in ["300 sound frames, 0 damaged", "times are assumed", "computed sum", "meter the pins by hand"] {
        assert!(said.contains(expected), "{expected}\n{said}");
    }

    // The slip that the page suggests to try.
    let slip = std::env::temp_dir().join(format!("packwake-slip-{}.toml", std::process::id()));
    std::fs::write(&slip, protocol.replace("\"sum 8\"", "\"sum8\"")).expect("written");
    let checked = packwake(&["check", slip.to_str().expect("text")]);
    let said = String::from_utf8_lossy(&checked.stderr).into_owned();
    assert!(said.contains("did you mean \"sum 8\"?"), "{said}");
    std::fs::remove_file(slip).expect("removed");
}

#[test]
fn every_test_that_the_list_of_capabilities_names_is_there() {
    let list = text("docs/language-tests.md");
    let mut missing = Vec::new();
    for line in list.lines().filter(|line| line.starts_with("| ") && line.contains('`')) {
        let mut source = String::new();
        for word in line.split(['`', ' ', ',', ';', '|']).filter(|word| !word.is_empty()) {
            if word.ends_with(".rs") {
                let path = if word.contains('/') { word.to_owned() } else { format!("crates/parser/tests/{word}") };
                source = text(&path);
            } else if word.contains('_') && !source.contains(&format!("fn {word}(")) {
                missing.push(word.to_owned());
            }
        }
    }
    assert!(missing.is_empty() && list.lines().count() > 40, "{missing:?}");
}
