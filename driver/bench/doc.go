// Package bench reads bench files: which instruments there are, where they are, and how the engineer believes that they are
// wired to the nodes of the device. FORMAT.md in this folder describes the file.
package bench
