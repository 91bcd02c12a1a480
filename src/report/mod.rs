//! What is given back to people and machines, drawn from the findings alone.
