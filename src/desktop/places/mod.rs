//! The four places.

pub(super) mod animal;
mod animal_basis;
mod animal_draw;
mod animal_figured;
mod animal_keys;
mod animal_panel;
pub(super) mod animal_proposal;
mod animal_tools;
pub(super) mod book;
mod figures;
mod parts;
pub(super) mod planner;
pub(super) mod planner_preview;
mod rows;
pub(super) mod setups;
pub(super) mod slide;
mod slide_draw;
mod slide_hand;
mod slide_panel;
