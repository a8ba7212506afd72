//go:build !linux

package history

// directFlag is zero where a file cannot be opened past the page cache in this way.
const directFlag = 0
