package main

import "syscall"

// apart puts a process into a group of its own: a Ctrl-C in the console does not reach it.
func apart() *syscall.SysProcAttr {
	const newProcessGroup = 0x00000200
	return &syscall.SysProcAttr{CreationFlags: newProcessGroup}
}
