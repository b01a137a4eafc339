//! The one file with system calls that have no safe wrapper; every `unsafe` of the program is here.
