//! Outputs while the microcontroller is in reset: its pins are inputs then, and only a resistor
//! holds what they switch.

use super::{Finding, FindingKind, Grade};
use crate::board::{Board, Channel, Kind, Level, Load, NetId, Setting};
use crate::circuit::{self, Node};
use crate::units::Volts;
use crate::window::classes::level_of_band;
use crate::window::expect;

/// The loads that no resistor of the board file holds at their off level, with the pin as a leaky
/// input and every jumper that can matter in each of its places, one at a time.
///
/// Off is judged by the chip's own input levels over the design band: what a driver needs beyond
/// that is not in the board file.
pub(super) fn findings(board: &Board) -> Vec<Finding> {
    board.loads.iter().filter_map(|load| finding(board, load)).collect()
}

fn finding(board: &Board, load: &Load) -> Option<Finding> {
    let pin = &load.pin.name;
    let rail = match load.off {
        Level::Low => board.supply.ground,
        Level::High => board.supply.net,
    };
    let rail = board.net_name(rail);
    let found = |place: String, what: String, change: String| {
        Some(Finding {
            kind: FindingKind::Load,
            name: load.id.clone(),
            place,
            grade: Grade::Marginal,
            what,
            change,
        })
    };
    let Some(net) = load.net else {
        let what =
            format!("no resistor in the board file holds {pin} off while the chip is in reset");
        let change = format!(
            "describe the resistor from {pin} to {rail} and name its net in `net` of {}; fit one of \
             some 10 kΩ if there is none",
            load.id
        );
        return found(String::new(), what, change);
    };
    let name = board.net_name(net);
    let board = with_input(board, load, net);
    let channel = board.channels.len() - 1;
    for setting in settings(&board, net) {
        let shown = expect(&board, &setting, channel);
        if shown.node == Node::Floating {
            let what = format!("{name} floats while the chip is in reset: {pin} is an input then");
            let change = format!("fit a resistor of some 10 kΩ from {name} to {rail}");
            return found(setting.text(&board), what, change);
        }
        if level_of_band(&board, shown.design) != Some(load.off) {
            let volts = |code: f64| Volts(code / board.chip.scale * board.supply.volts.0).0;
            let what = format!(
                "{name} is at {:.2} V to {:.2} V while the chip is in reset, which is not off",
                volts(shown.design.low),
                volts(shown.design.high)
            );
            let change = format!("hold {name} closer to {rail}: a smaller resistor to it");
            return found(setting.text(&board), what, change);
        }
    }
    None
}

/// The board with the load's pin read as an input.
fn with_input(board: &Board, load: &Load, net: NetId) -> Board {
    let mut board = board.clone();
    board.channels.push(Channel {
        id: load.id.clone(),
        label: load.label.clone(),
        net,
        pin: load.pin.clone(),
        kind: Kind::Digital,
        pull_up: false,
        closes: Vec::new(),
        discharge: false,
    });
    board
}

/// The delivery setting, and each jumper that can influence the net in each of its other places.
fn settings(board: &Board, net: NetId) -> Vec<Setting> {
    let jumpers = circuit::group_of(board, net).map(|g| g.jumpers).unwrap_or_default();
    let moved = jumpers.iter().flat_map(|&j| {
        board.jumpers[j].places().into_iter().map(move |p| board.delivery.with(j, p))
    });
    std::iter::once(board.delivery.clone()).chain(moved).collect()
}
