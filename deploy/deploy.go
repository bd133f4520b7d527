// Package deploy carries what the binary needs of this folder: the demo's bench
// and tube cards.
package deploy

import "embed"

// PetrelPier is the invented job of the demo: bench.toml and the tube cards
// PP-01.toml to PP-07.toml, under "petrel-pier/".
//
//go:embed petrel-pier/*.toml
var PetrelPier embed.FS
