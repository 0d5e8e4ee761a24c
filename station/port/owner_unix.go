//go:build unix

package port

import (
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// ownerOf says whom a device belongs to. A group that may not read and write is none.
func ownerOf(name string) owner {
	o := owner{person: person()}
	info, err := os.Stat(name)
	if err != nil || info.Mode().Perm()&0o060 != 0o060 {
		return o
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok || stat.Gid == 0 { // the group of root is not to be joined
		return o
	}
	o.group = strconv.FormatUint(uint64(stat.Gid), 10)
	if g, err := user.LookupGroupId(o.group); err == nil {
		o.group = g.Name
	}
	return o
}
