// Package plan says what to do with the next tube: it runs the bench's model
// (logger/model) forward and chooses air pressure, current and the points at
// which to pump so that the run ends inside the envelope, with a margin for
// what the model does not know.
//
// It records and advises; whoever bombards looks, and decides.
package plan
