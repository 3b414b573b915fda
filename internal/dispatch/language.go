package dispatch

import (
	"slices"
	"strings"
)

// known are the languages with two letters: ISO 639-1, as the IANA registry of language subtags (BCP 47) has them, without what
// that calls deprecated or a collection. A code goes into a trail, so none is ever taken out.
const known = "" +
	"aa ab ae af ak am an ar as av ay az ba be bg bi bm bn bo br bs ca ce ch co cr cs cu cv cy da de dv dz ee el en eo es " +
	"et eu fa ff fi fj fo fr fy ga gd gl gn gu gv ha he hi ho hr ht hu hy hz ia id ie ig ii ik io is it iu ja jv ka kg ki " +
	"kj kk kl km kn ko kr ks ku kv kw ky la lb lg li ln lo lt lu lv mg mh mi mk ml mn mr ms mt my na nb nd ne ng nl nn no " +
	"nr nv ny oc oj om or os pa pi pl ps pt qu rm rn ro ru rw sa sc sd se sg si sk sl sm sn so sq sr ss st su sv sw ta te " +
	"tg th ti tk tl tn to tr ts tt tw ty ug uk ur uz ve vi vo wa wo xh yi yo za zh zu"

// IsLanguage reports whether the text at i is a primary language subtag (BCP 47) that is not in the list before it: one of the
// languages with two letters, or three letters for one that has no two. Of those there are thousands; a slip in one shows when
// nobody speaks it.
func IsLanguage(list []string, i int) bool {
	l := list[i]
	switch {
	case slices.Contains(list[:i], l):
		return false
	case len(l) == 2:
		return slices.Contains(strings.Fields(known), l)
	}
	return len(l) == 3 && strings.Trim(l, "abcdefghijklmnopqrstuvwxyz") == ""
}

// LanguageWanted is what IsLanguage would take, in words.
const LanguageWanted = "the code of a language in small letters, such as de, en or fr, each once"

// Speaks reports whether one of the languages wanted is spoken; none wanted is as good as any.
func Speaks(spoken, wanted []string) bool {
	return len(wanted) == 0 || slices.ContainsFunc(wanted, func(l string) bool { return slices.Contains(spoken, l) })
}
