//! `[[neighbours]]`: pins of different headers that lie side by side.

use super::{DEMO, broken, demo, problems};
use strapwise::board;

const J3_J4: &str = "headers = [\"J3\", \"J4\"]\npins = [[1, 1], [2, 2]]";

#[test]
fn pins_side_by_side_are_read_with_their_nets() {
    let board = demo();
    let told = board.neighbours.iter().map(|n| (n.jumpers, n.pins)).collect::<Vec<_>>();
    assert_eq!(told, [([1, 2], [1, 1]), ([1, 2], [2, 2]), ([2, 3], [1, 1]), ([2, 3], [2, 2])]);
    let nets = board.neighbours[0].nets.map(|n| board.net_name(n));
    assert_eq!(nets, ["ADDR0", "ADDR1"]);
    assert_eq!(board.neighbours[1].nets.map(|n| board.net_name(n)), ["GND", "GND"]);
}

#[test]
fn the_order_in_which_two_headers_are_named_does_not_matter() {
    let turned = DEMO.replace(J3_J4, "headers = [\"J4\", \"J5\"]\npins = [[2, 3]]");
    let straight = board::parse("a.toml", &turned).unwrap_or_else(|p| panic!("{p}"));
    let turned = DEMO.replace(J3_J4, "headers = [\"J5\", \"J4\"]\npins = [[3, 2]]");
    let turned = board::parse("a.toml", &turned).unwrap_or_else(|p| panic!("{p}"));
    assert_eq!(straight.neighbours, turned.neighbours);
    assert_eq!((turned.neighbours[2].jumpers, turned.neighbours[2].pins), ([3, 4], [2, 3]));
}

#[test]
fn slips_are_told_with_what_to_do() {
    for (wrong, what, do_next) in [
        (
            "headers = [\"J3\", \"J9\"]\npins = [[1, 1]]",
            "[[neighbours]] names the jumper `J9`, which is not in the file",
            "J1",
        ),
        (
            "headers = [\"J3\", \"J3\"]\npins = [[1, 1]]",
            "`headers` of [[neighbours]] names J3 twice",
            "name another header",
        ),
        (
            "headers = [\"J3\"]\npins = [[1, 1]]",
            "`headers` of [[neighbours]] names 1 headers",
            "name two, like `headers = [\"J2\", \"J3\"]`",
        ),
        ("pins = [[1, 1]]", "[[neighbours]] has no `headers`", "add `headers = "),
        ("headers = [\"J3\", \"J4\"]", "[[neighbours]] has no `pins`", "add `pins = "),
        (
            "headers = [\"J3\", \"J4\"]\npins = [1, 1]",
            "`pins` of [[neighbours]] is no list of pairs of pins",
            "pin 1 of the first header beside pin 1 of the second",
        ),
        (
            "headers = [\"J3\", \"J4\"]\npins = []",
            "`pins` of [[neighbours]] is no list of pairs of pins",
            "write `pins = ",
        ),
        (
            "headers = [\"J3\", \"J4\"]\npins = [[1, 3]]",
            "no position of J4 has a pin 3",
            "name pins that its positions join: 1, 2",
        ),
        (
            "headers = [\"J3\", \"J2\"]\npins = [[1, 1]]",
            "[[neighbours]] names pin 1 of J2 and pin 1 of J3 again",
            "name each two pins once",
        ),
        (
            "headers = [\"J3\", \"J4\"]\npin = [[1, 1]]",
            "[[neighbours]] has no key `pin`",
            "did you mean `pins`?",
        ),
    ] {
        let found = broken(J3_J4, wrong).to_string();
        assert!(found.contains(what) && found.contains(do_next), "{wrong}:\n{found}");
    }
    let single = problems(
        &format!("{DEMO}\n")
            .replace("[[neighbours]]\nheaders = [\"J3\"", "[neighbours]\nheaders = [\"J3\""),
    );
    assert!(single.to_string().contains("neighbours"), "{single}");
}

#[test]
fn a_jumper_with_a_mistake_of_its_own_is_told_once() {
    let found = broken(
        "id = \"J4\"\nlabel = \"address bit 2\"\npositions = [{ name = \"fitted\", pins = [1, 2]",
        "id = \"J4\"\nlabel = \"address bit 2\"\npositions = [{ name = \"fitted\", pins = [1, 1]",
    );
    assert_eq!(found.list.len(), 1, "{found}");
}
