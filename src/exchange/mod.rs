//! What leaves the program: tables, plots and marked pictures. Results in, bytes out.
