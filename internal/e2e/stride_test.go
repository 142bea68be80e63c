//go:build !race

package e2e

// stride is from one broken message to the next.
const stride = 1
