// Package scpi is the controller's side of the words of IEEE 488.2 and SCPI: it writes program data and reads responses.
package scpi
