//! The list of commands against its parser and its page in the docs.

use clap::CommandFactory as _;

use super::*;

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/cli.md");

fn parse(line: &str) -> Result<Cli, clap::Error> {
    Cli::try_parse_from(line.split_whitespace())
}

#[test]
fn the_parser_is_sound() {
    Cli::command().debug_assert();
}

#[test]
fn options_of_every_command_are_taken_before_and_after_it() {
    for line in ["ampledger --json status", "ampledger status --json"] {
        assert!(parse(line).unwrap().global.json, "{line}");
    }
}

#[test]
fn a_start_as_on_the_bench_is_read() {
    let line = "ampledger start --pack GAL-07 --rated-ah 60 --chemistry lithium-iron-phosphate \
                --cells 8 --cutoff-voltage 20.0 --charge-voltage 29.2 --source bench-shunt \
                --source load --at 09:12 --tag shed=2 --override-unsafe";
    let Command::Start(start) = parse(line).unwrap().command else { panic!("not start") };
    assert_eq!(start.sources, ["bench-shunt", "load"]);
    assert_eq!((start.cutoff_voltage, start.fields.rated_ah), (Some(20.0), Some(60.0)));
    assert_eq!(start.at.as_deref(), Some("09:12"));
}

#[test]
fn cautions_are_in_the_help_of_the_program_and_of_start() {
    for name in [None, Some("start")] {
        let mut command = Cli::command();
        let shown = match name {
            Some(name) => command.find_subcommand_mut(name).unwrap(),
            None => &mut command,
        };
        let help = shown.render_long_help().to_string();
        for caution in CAUTIONS {
            assert!(help.replace("\n    ", " ").contains(caution), "{caution} in {help}");
        }
    }
}

#[test]
fn every_command_has_a_manual_page_with_its_text() {
    let folder = tempfile::tempdir().unwrap();
    clap_mangen::generate_to(Cli::command(), folder.path()).unwrap();
    for command in Cli::command().get_subcommands().filter(|command| !command.is_hide_set()) {
        let page = folder.path().join(format!("ampledger-{}.1", command.get_name()));
        let text = std::fs::read_to_string(&page).unwrap();
        let about = command.get_about().unwrap().to_string();
        assert!(
            text.replace("\\-", "-").replace("\\*(Aq", "'").contains(&about),
            "{about} in {}",
            page.display()
        );
    }
}

/// The page with `text` between the two comments of that name.
fn with_part(page: &str, name: &str, text: &str) -> Option<String> {
    let (begin, end) = (format!("<!-- {name}: begin -->\n"), format!("<!-- {name}: end -->"));
    let (before, rest) = page.split_once(&begin)?;
    let (_, after) = rest.split_once(&end)?;
    Some([before, &begin, text, &end, after].concat())
}

fn commands_table() -> String {
    let command = Cli::command();
    let rows = command.get_subcommands().filter(|command| !command.is_hide_set()).map(|command| {
        let about = command.get_about().map(ToString::to_string).unwrap_or_default();
        format!("| `ampledger {}` | {about} |\n", command.get_name())
    });
    format!("| command | what it does |\n| --- | --- |\n{}", rows.collect::<String>())
}

fn codes_table() -> String {
    let rows = Exit::TABLE.map(|(exit, meaning)| format!("| {} | {meaning} |\n", exit.code()));
    format!("| code | meaning |\n| --- | --- |\n{}", rows.concat())
}

fn times_part() -> String {
    format!("{}.\n", ampledger_report::when::FORMS)
}

/// Set AMPLEDGER_UPDATE_DOCS to rewrite the page; the test still fails once.
#[test]
fn the_page_about_the_command_line_says_what_the_program_says() {
    let page = std::fs::read_to_string(PAGE).unwrap();
    let parts =
        [("commands", commands_table()), ("exit-codes", codes_table()), ("times", times_part())];
    let mut right = page.clone();
    for (name, expected) in &parts {
        right = with_part(&right, name, expected)
            .unwrap_or_else(|| panic!("docs/cli.md has no part {name}"));
    }
    if std::env::var_os("AMPLEDGER_UPDATE_DOCS").is_some() && right != page {
        std::fs::write(PAGE, &right).unwrap();
    }
    assert!(page == right, "rewrite it with AMPLEDGER_UPDATE_DOCS=1 cargo test -p ampledger");
}
