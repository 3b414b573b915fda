package httpapi

import (
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// behind gives requests that come through proxies of one's own the address of the caller that the proxies state, so that
// not everybody who comes through them shares one pace. Each proxy adds the address it was asked from at the end of
// X-Forwarded-For; what stands before the last address that is none of the proxies anybody could have written.
func behind(proxies []netip.Prefix, next http.Handler) http.Handler {
	if len(proxies) == 0 {
		return next
	}
	ours := func(a netip.Addr) bool {
		return slices.ContainsFunc(proxies, func(p netip.Prefix) bool { return p.Contains(a) })
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from, err := netip.ParseAddrPort(r.RemoteAddr)
		if err != nil || !ours(from.Addr().Unmap()) {
			next.ServeHTTP(w, r)
			return
		}
		caller := from.Addr().Unmap()
		stated := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
		for _, text := range slices.Backward(stated) {
			a, err := netip.ParseAddr(strings.TrimSpace(text))
			if err != nil {
				break // the proxy that stated it is the last we know
			}
			if caller = a.Unmap(); !ours(caller) {
				break
			}
		}
		through := new(http.Request)
		*through = *r
		through.RemoteAddr = netip.AddrPortFrom(caller, 0).String()
		next.ServeHTTP(w, through)
	})
}
