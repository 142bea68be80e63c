// Command fourwire characterises DC-DC converters and battery-powered devices on a bench of SCPI instruments: it checks
// sequences, says whether a bench can do them, runs them, and reports with uncertainty, verdicts and a record.
package main

import "os"

func main() { os.Exit(program(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
