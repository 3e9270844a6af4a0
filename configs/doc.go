// Package configs holds the description of a room as the keeper writes it: the
// TOML sections as plain structs, the strict decoder that reports every fault
// with file, line and column, the validation, and the embedded species table
// and example files.
//
// It is a leaf: it imports nothing else of dewline, opens no bus and no port,
// and keeps no state. A Config that Load returned without an error is
// complete: defaults are filled in, references resolve, quantities are in the
// units that their types name.
package configs
