// Package ieee488 is the controller's side of IEEE 488.2: common commands, status registers, synchronisation and the error queue.
package ieee488
