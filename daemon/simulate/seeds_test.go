//go:build !race

package simulate

const seeds = uint64(20)
