package run

import (
	"fmt"

	"fourwire/quantity"
)

// notBack is a value that has not come back to where it was.
type notBack struct {
	value    string // as the sequence has it
	was, now quantity.Quantity
	within   quantity.Quantity
}

// Error says what was read.
func (n *notBack) Error() string {
	return fmt.Sprintf("%s is %s and was %s before: it has not come back within %s", n.value, n.now.Text(4), n.was.Text(4), n.within)
}

func (n *notBack) evidence() string { return n.Error() }
