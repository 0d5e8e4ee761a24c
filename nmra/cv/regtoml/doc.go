// Package regtoml reads our TOML files strictly, and the notation of registers in them: 3 = 12, "67-70" = [2, 5, 9, 14], "260@16.3" = 7.
//
// It takes bytes, and gives every error of a file with its line and column, not the first alone. [Parse] reads the syntax; the
// getters of a [Table] ask for what a file may hold and note what is wrong with it; [Document.Err], last, gives all that was noted,
// and every key that nothing asked for. Nothing of a file is to be used before Err has returned nil.
//
// TOML is that of toml.io, version 1.1, with its dotted and quoted keys and its integers in four bases. Only lists of tables ([[x]])
// are refused, since no file of ours has one.
package regtoml
