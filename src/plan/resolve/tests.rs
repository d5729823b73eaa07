//! The demo files resolve; changed in one place, they give one message.

use crate::plan::testing::*;

#[test]
fn the_demo_files_resolve() {
    let plan = plan_of(RIG, UNIT, SUITE);
    println!("{}", crate::plan::summary(&plan));
}
