// Package ageing is the run of a finished tube on its own supply: hours at low
// current, until its light is full and steady (trade.md: age in, burn in).
//
// An ageing run is asked for in a file, [RequestFile], which the daemon follows. Its
// frames are means over some seconds, with the least and the greatest of current and
// light between them, so that eight hours stay small. Alarms go on by the bench's
// frames as they do always. [Make] gives the account of such a run.
package ageing

// Kind is what run.toml calls an ageing run.
const Kind = "ageing"
