//! Reads `[bubbles]`: the agent, and how its bubbles come and go.

use super::super::bounds::Bounds;
use super::super::written::Section;
use crate::bench::bubble::{Breaking, Focus, PopulationSpec, Shell};

/// The table `[bubbles]`.
#[derive(Debug, Clone)]
pub(super) struct Bubbles {
    pub(super) shell: Shell,
    pub(super) polytropic_exponent: f64,
    /// Without the focus, which is put in later.
    pub(super) population: PopulationSpec,
}

const POSITIVE: Bounds = Bounds::above(0.0);
const NOT_NEGATIVE: Bounds = Bounds::at_least(0.0);
const SHARE: Bounds = NOT_NEGATIVE.at_most(1.0);
/// Medians of radii, m: those that `PopulationSpec` takes.
const RADIUS_M: Bounds = Bounds::at_least(1e-7).at_most(5e-5);
/// Shortest and longest life, s: up to a day.
const LIFE_S: Bounds = Bounds::at_least(1e-6).at_most(86_400.0);

pub(super) fn bubbles(table: &Section<'_, '_>) -> Option<Bubbles> {
    let number = |key, bounds| table.number(key, bounds);
    let shell = shell(table);
    let exponent = number("polytropic_exponent", Bounds::at_least(1.0).at_most(5.0 / 3.0));
    let median_radius_m = number("median_radius_m", RADIUS_M);
    let radius_sigma = number("radius_sigma", POSITIVE.at_most(1.5));
    let bubbles_mean = number("bubbles_mean", NOT_NEGATIVE.at_most(10_000.0));
    let free_share = number("free_share", SHARE);
    let free_life_s = number("free_life_s", LIFE_S);
    let collapses_survived = number("collapses_survived", POSITIVE.at_most(1e9));
    let flow_m_per_s = number("flow_m_per_s", Bounds::at_least(1e-5).at_most(10.0));
    let wash_in_s = number("wash_in_s", NOT_NEGATIVE.at_most(86_400.0));
    let wash_out_s = number("wash_out_s", LIFE_S);
    let channel_radius_m = number("channel_radius_m", Bounds::at_least(1e-6).at_most(0.1));
    let least_share = number("least_share", Bounds::at_least(0.01).at_most(0.99));
    // Replaced by the transducer's once the drive's frequency is known.
    let focus = Focus { lateral_half_m: 1.0, axial_half_m: 1.0 };
    Some(Bubbles {
        shell: shell?,
        polytropic_exponent: exponent?,
        population: PopulationSpec {
            median_radius_m: median_radius_m?,
            radius_sigma: radius_sigma?,
            bubbles_mean: bubbles_mean?,
            free_share: free_share?,
            free_life_s: free_life_s?,
            collapses_survived: collapses_survived?,
            flow_m_per_s: flow_m_per_s?,
            wash_in_s: wash_in_s?,
            wash_out_s: wash_out_s?,
            channel_radius_m: channel_radius_m?,
            least_share: least_share?,
            ..PopulationSpec::bench(focus)
        },
    })
}

fn shell(table: &Section<'_, '_>) -> Option<Shell> {
    let elasticity = table.number("shell_elasticity_n_per_m", POSITIVE.at_most(10.0));
    let viscosity = table.number("shell_viscosity_kg_per_s", NOT_NEGATIVE.at_most(1e-6));
    let buckling = table.number("shell_buckling_share", Bounds::at_least(0.5).at_most(1.0));
    let breaking = table.number("shell_breaks_over_buckling", Bounds::above(1.0).at_most(10.0));
    Some(Shell {
        elasticity_n_per_m: elasticity?,
        surface_viscosity_kg_per_s: viscosity?,
        buckling_share: buckling?,
        breaking: Breaking::Radius { over_buckling: breaking? },
    })
}

impl Bubbles {
    /// The population around a focus.
    pub(super) const fn population(&self, focus: Focus) -> PopulationSpec {
        PopulationSpec { focus, ..self.population }
    }
}
