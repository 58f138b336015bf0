//! The table that is printed: each figure beside what it is compared with, what
//! was aimed at and what it must not fall below.

/// What a figure should be: the aim, and the floor.
#[derive(Clone, Copy)]
pub enum Goal {
    /// So many times as much is taken by the other, or more.
    Times(f64, f64),
    /// It is itself no more than this.
    AtMost(f64, f64),
    /// Nothing; it is told beside the others.
    Told,
}

/// A figure.
pub struct Figure<'a> {
    pub what: &'a str,
    pub against: &'a str,
    pub unit: &'static str,
    pub ours: f64,
    /// What the other takes.
    pub theirs: Option<f64>,
    pub goal: Goal,
}

/// All of them.
#[derive(Default)]
pub struct Table {
    aims: usize,
    floors: usize,
    missed: Vec<String>,
}

impl Table {
    pub fn begin(title: &str) -> Table {
        println!("{title}\n");
        println!(
            "{:<44} {:<30} {:>10} {:>10} {:<7} {:>7} {:>6} {:>6}",
            "what", "against", "ours", "theirs", "", "ratio", "aim", "floor"
        );
        Table::default()
    }

    /// Prints a figure as soon as it is known: all of them take minutes.
    pub fn add(&mut self, figure: &Figure<'_>) {
        let Figure { what, against, unit, ours, theirs, goal } = figure;
        let ratio = theirs.map(|theirs| theirs / ours);
        let (aim, floor, verdict) = match goal {
            Goal::Told => (String::new(), String::new(), ""),
            Goal::Times(aim, floor) => {
                let ratio = ratio.unwrap_or(f64::NAN);
                (short(*aim), short(*floor), self.judge(what, ratio >= *aim, ratio >= *floor))
            }
            Goal::AtMost(aim, floor) => {
                (short(*aim), short(*floor), self.judge(what, ours <= aim, ours <= floor))
            }
        };
        println!(
            "{what:<44} {against:<30} {:>10} {:>10} {unit:<7} {:>7} {aim:>6} {floor:>6} {verdict}",
            short(*ours),
            theirs.map(short).unwrap_or_default(),
            ratio.map(short).unwrap_or_default(),
        );
    }

    fn judge(&mut self, what: &str, is_aim: bool, is_floor: bool) -> &'static str {
        match (is_aim, is_floor) {
            (true, _) => {
                self.aims += 1;
                "aim"
            }
            (false, true) => {
                self.floors += 1;
                "floor"
            }
            (false, false) => {
                self.missed.push(what.trim().to_owned());
                "MISSED"
            }
        }
    }

    /// Says how it went.
    pub fn end(self) {
        println!("\n{} reach the aim, {} the floor alone", self.aims, self.floors);
        if !self.missed.is_empty() {
            println!("below the floor: {}", self.missed.join("; "));
        }
    }
}

/// Three digits that count.
fn short(value: f64) -> String {
    let places = match value.abs() {
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 1.0 => 2,
        _ => 3,
    };
    format!("{value:.places$}")
}
