//go:build linux

package history

import "syscall"

// directFlag opens a file past the page cache.
const directFlag = syscall.O_DIRECT
