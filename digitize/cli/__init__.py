"""The command line: parse, call one function, print.  No geometry here."""
