//go:build !windows

package main

import "syscall"

// apart puts a process into a session of its own: neither a Ctrl-C in the terminal, nor its closing, nor a signal to the group of this
// process reaches it.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setsid: true} }
