// Package model reads model files: what a kind of instrument can do, how accurately, how fast, and how it is spoken to.
//
// A model is data. Envelopes and measuring ranges let a plan be checked before anything is connected; the accuracy of a
// range becomes the error inputs of a reading; the dialect turns a verb such as "set volts" into the instrument's words and
// its answers into numbers and states. An instrument with headers of its own needs a file, and no Go code. FORMAT.md in this
// folder describes the file; the embedded library holds instrument classes that speak plain SCPI-1999.
package model
