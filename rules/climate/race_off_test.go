//go:build !race

package climate

const raced = false
