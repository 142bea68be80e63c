// Package transporttest holds the suite that every wire has to pass, and links that fail, follow a script, or remember, for tests of the layers above.
package transporttest
