//! What lateness explains, and what it must not.

use super::*;
use crate::plan::testing::demo_plan;
