package notify

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"syscall"
	"time"
)

// reserved are the networks that are no place on the public internet, beside those netip knows by a method. Sources: the
// IANA special-purpose address registries for IPv4 and IPv6 (RFC 6890 and its successors), from memory; 168.63.129.16 is
// a public address that one hosting provider uses inside its machines: common practice, no source.
var reserved = prefixes(
	"0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24",
	"203.0.113.0/24", "240.0.0.0/4", "168.63.129.16/32",
	"::/96", "::ffff:0:0/96", "64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "2002::/16",
	"3fff::/20", "5f00::/16", "fec0::/10",
)

func prefixes(texts ...string) []netip.Prefix {
	list := make([]netip.Prefix, len(texts))
	for i, text := range texts {
		list[i] = netip.MustParsePrefix(text)
	}
	return list
}

// public reports whether an address may be anybody's: not of this machine, its networks, or a special purpose.
func public(a netip.Addr) bool {
	if !a.IsGlobalUnicast() || a.IsPrivate() || a.IsLoopback() || a.IsLinkLocalUnicast() || a.Zone() != "" {
		return false
	}
	return !within(reserved, a)
}

func within(networks []netip.Prefix, a netip.Addr) bool {
	for _, n := range networks {
		if n.Contains(a) {
			return true
		}
	}
	return false
}

// forbidden is an address that nothing is sent to.
type forbidden struct{ address string }

func (f *forbidden) Error() string {
	return fmt.Sprintf("%s is not a public address; see READBACK_WEBHOOK_NETWORKS", f.address)
}

// dialer connects to public addresses and to those in networks. It looks at what a name came to, at the moment it
// connects, so a name that comes to something else the next time does not help.
func dialer(networks []netip.Prefix, patience time.Duration) *net.Dialer {
	return &net.Dialer{Timeout: patience, ControlContext: func(_ context.Context, _, address string, _ syscall.RawConn) error {
		at, err := netip.ParseAddrPort(address)
		if err != nil {
			return &forbidden{address}
		}
		if a := at.Addr().Unmap(); !public(a) && !within(networks, a) {
			return &forbidden{a.String()}
		}
		return nil
	}}
}
