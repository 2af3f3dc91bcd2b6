//! Plain statistics without units: robust location, line fits, quantiles.
