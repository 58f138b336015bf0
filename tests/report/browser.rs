//! Chromium without a window, and what it makes of a page.

use std::fs::File;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::util::{Bench, skip};

/// No page of ours takes a browser longer, on a busy machine either.
const DEADLINE: Duration = Duration::from_secs(90);

/// It asks nobody by itself and keeps nothing.
const FLAGS: [&str; 10] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
];

/// The browser.
pub struct Browser;

impl Browser {
    /// If there is one on this machine.
    pub fn found() -> Option<Browser> {
        let asked = Command::new("chromium").arg("--version").output();
        if asked.is_ok_and(|output| output.status.success()) {
            return Some(Browser);
        }
        skip("no browser looks at the page: there is no chromium (Debian: chromium)");
        None
    }

    /// The page as the browser understood it.
    pub fn dom(&self, bench: &Bench, page: &str) -> String {
        self.run(bench, &["--dump-dom"], page)
    }

    /// A picture of the page, that many pixels wide, in the bench's folder.
    pub fn picture(&self, bench: &Bench, page: &str, width: u32) -> PathBuf {
        let picture = bench.path(&format!("{page}-{width}.png"));
        let to = format!("--screenshot={}", picture.display());
        self.run(bench, &[&to, &format!("--window-size={width},3000")], page);
        picture
    }

    /// How wide the page is in a window of that width: the same, or people
    /// must scroll sideways.
    pub fn scroll_width(&self, bench: &Bench, page: &str, width: u32) -> u32 {
        let frame = format!(
            "<!doctype html><iframe id=f src=\"{page}\" style=\"border:0;width:{width}px;\
             height:800px\"></iframe><p id=said></p><script>onload=()=>{{said.textContent=\
             `[${{f.contentDocument.documentElement.scrollWidth}}]`}}</script>"
        );
        bench.write("frame.html", frame.as_bytes());
        let dom = self.run(bench, &["--dump-dom", "--allow-file-access-from-files"], "frame.html");
        let said = dom.split_once("<p id=\"said\">[").and_then(|(_, rest)| rest.split_once(']'));
        said.and_then(|(width, _)| width.parse().ok()).unwrap_or_else(|| panic!("{dom}"))
    }

    fn run(&self, bench: &Bench, arguments: &[&str], page: &str) -> String {
        let profile = tempfile::tempdir_in(bench.path("")).expect("a profile of its own");
        let (out, log) = (bench.path("chromium.out"), bench.path("chromium.log"));
        let mut command = Command::new("chromium");
        command.args(FLAGS).args(arguments).env("HOME", profile.path());
        command.arg(format!("--user-data-dir={}", profile.path().display()));
        command.arg(format!("file://{}", bench.path(page).display()));
        command.stdin(Stdio::null()).stdout(File::create(&out).expect("a file"));
        command.stderr(File::create(&log).expect("a file"));
        let mut child = command.spawn().expect("chromium cannot be run");
        let deadline = Instant::now() + DEADLINE;
        let status = loop {
            if let Some(status) = child.try_wait().expect("chromium's state") {
                break status;
            }
            if Instant::now() > deadline {
                let _ = child.kill();
                let _ = child.wait();
                panic!("chromium has not ended after {DEADLINE:?}; see {}", log.display());
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        let said = std::fs::read_to_string(&log).unwrap_or_default();
        assert!(status.success(), "{status}: {said}");
        std::fs::read_to_string(out).expect("what chromium printed")
    }
}

/// What a person reads of a page: no markup, no style, blanks as blanks.
pub fn words(dom: &str) -> String {
    let body = dom.split_once("<body>").map_or(dom, |(_, body)| body);
    let parts = body.split('<').map(|part| part.split_once('>').map_or(part, |(_, text)| text));
    let mut text = parts.collect::<Vec<&str>>().join(" ");
    let plain = [
        ("&nbsp;", " "),
        ("\u{a0}", " "),
        ("&quot;", "\""),
        ("&#39;", "'"),
        ("&lt;", "<"),
        ("&gt;", ">"),
        ("&amp;", "&"),
    ];
    for (written, meant) in plain {
        text = text.replace(written, meant);
    }
    text.split_whitespace().collect::<Vec<&str>>().join(" ")
}
