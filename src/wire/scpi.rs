//! IEEE 488.2/SCPI syntax from the controller's side: program messages into commands.
