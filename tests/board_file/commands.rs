//! `[commands]` and `before_power`: what is read, and what a slip is told.

use strapwise::board::{self, Task};

const DEMO: &str = include_str!("../../protocols/vent-controller.toml");

fn told(text: &str) -> Vec<String> {
    match board::parse("demo.toml", text) {
        Ok(_) => Vec::new(),
        Err(problems) => problems.to_string().lines().map(str::to_string).collect(),
    }
}

fn of(commands: &str) -> String {
    told(&format!("{DEMO}\n[commands]\n{commands}\n")).join("\n")
}

#[test]
fn commands_are_lists_of_arguments_and_may_be_left_out() {
    let text = format!(
        "{DEMO}\n[commands]\nsave = [\"read\", \"{{port}}\", \"{{file}}\"]\n\
         flash_probe = [\"flash\", \"a b\", \"x{{unit}}{{file}}\", \"{{}}\", \"${{HOME}}\"]\n\
         probe_file = \"probe.hex\"\non_hold = [\"label\"]\n"
    );
    let wrong = told(&text).join("\n");
    assert!(wrong.contains("has `{HOME}`, which stands for nothing"), "{wrong}");
    let board = board::parse("demo.toml", &text.replace("${HOME}", "$HOME")).unwrap();
    let flash = board.commands.get(Task::FlashProbe).unwrap();
    assert_eq!(flash.words, ["flash", "a b", "x{unit}{file}", "{}", "$HOME"]);
    assert!(board.commands.get(Task::OnHold).is_some());
    assert!(board.commands.get(Task::FlashProduct).is_none());
    assert_eq!(board::parse("demo.toml", DEMO).unwrap().commands.lines, []);
}

#[test]
fn slips_in_commands_are_told_with_what_to_do() {
    let cases = [
        ("flash_prob = [\"a\"]", "has no key `flash_prob`", "did you mean `flash_probe`?"),
        ("on_pass = \"label\"", "`on_pass` of [commands] is text", "write `on_pass = ["),
        ("on_pass = []", "names no program", "write `on_pass = ["),
        ("on_pass = [\"\"]", "names no program", "write `on_pass = ["),
        ("on_pass = [\"a\", 1]", "is a list", "write `on_pass = ["),
        ("on_pass = [\"a\", \"{prot}\"]", "has `{prot}`", "did you mean `{port}`?"),
        (
            "on_pass = [\"a\", \"{colour}\"]",
            "stands for nothing",
            "`{port}`, `{unit}` and `{file}`",
        ),
        ("on_pass = [\"a\", \"b\\nc\"]", "control character", "each argument on one line"),
        (
            "flash_product = [\"a\", \"{file}\"]",
            "has `{file}`, but no `product_file`",
            "add `product_file = \"image.hex\"`",
        ),
        ("save = [\"a\", \"{file}\"]", "has `save` but no `flash_probe`", "add `flash_probe = ["),
        (
            "flash_probe = [\"f\"]\nsave = [\"a\"]",
            "`save` of [commands] has no `{file}`",
            "put `{file}` where",
        ),
        (
            "flash_probe = [\"f\"]\nrestore = [\"a\", \"{file}\"]",
            "has `restore` but no `save`",
            "add `save = [",
        ),
        ("report = [\"a\"]", "has `report` but no `flash_product`", "add `flash_product = ["),
        (
            "flash_product = [\"f\"]\nreport = [\"a\", \"{file}\"]",
            "there is none to read",
            "prints to its standard output",
        ),
        (
            "report_lines = [\"p={profil}\"]",
            "which is no set of options",
            "did you mean `profile`?",
        ),
        ("report_lines = [\" \"]", "is empty", "write it like"),
        ("probe_file = 3", "`probe_file` of [commands] is a number", "\"image.hex\""),
    ];
    for (text, what, do_next) in cases {
        let told = of(text);
        assert!(told.contains(what) && told.contains(do_next), "{text}:\n{told}");
        assert!(told.starts_with("demo.toml:"), "{told}");
    }
}

#[test]
fn before_power_is_true_or_false_and_beside_a_resistance() {
    let with = |keys: &str| DEMO.replacen("[supply]", &format!("[supply]\n{keys}"), 1);
    let read = |keys: &str| board::parse("demo.toml", &with(keys)).unwrap().supply.before_power;
    assert_eq!(read("before_power = true").map(|o| o.0), Some(100.0));
    assert_eq!(read("before_power = true\nbeside = \"2k2\"").map(|o| o.0), Some(2200.0));
    assert_eq!((read("before_power = false"), read("")), (None, None));
    for (keys, what) in [
        ("before_power = \"yes\"", "`before_power` of [supply] is text"),
        ("before_power = true\nbeside = \"5V\"", "not a resistance"),
        ("beside = \"1k\"", "nothing is measured before the power is on"),
    ] {
        let told = told(&with(keys)).join("\n");
        assert!(told.contains(what), "{keys}: {told}");
    }
}
