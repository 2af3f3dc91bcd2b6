//! Reading a ruled slide: finding, indexing and fitting graduations; the scale map.
