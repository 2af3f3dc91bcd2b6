//! The command line: arguments, what they mean, running them, and what is printed.
