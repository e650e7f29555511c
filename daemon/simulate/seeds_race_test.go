//go:build race

package simulate

// The race detector makes a night some ten times slower, and looks for what no
// seed changes.
const seeds = uint64(2)
