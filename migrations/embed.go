// Package migrations holds the SQL that makes and changes Readback's tables: forward only, one transaction each or, where
// there is none yet, one for all, run by the role that owns them. A migration that has been released is never edited; a new
// one follows it. No number is given twice: 0003 and 0008 were withdrawn before any release. Every table, column and index
// carries a comment.
package migrations

import "embed"

// Files are the migrations, NNNN_verb_noun.sql, in the format of goose.
//
//go:embed [0-9]*.sql
var Files embed.FS
