package page

// A site is all pages of one daemon.
type site struct {
	o        Options
	sessions *sessions
	limit    *Limiter
	ranges   *ranges
	assets   *assets
	streams  chan struct{} // one token for each open stream
}

type (
	doors     struct{ *site } // logging in and out
	answers   struct{ *site } // what a person does about notices and alarms
	overviews struct{ *site } // the room and its alarms
	closeups  struct{ *site } // one enclosure
	signals   struct{ *site } // what keeps a page up to date
)

// maxStreams is how many browsers are kept up to date at once; the others
// are current when they load.
const maxStreams = 32

func newSite(o Options) *site {
	return &site{
		o: o, sessions: newSessions(), limit: NewLimiter(), ranges: &ranges{},
		assets: loadAssets(), streams: make(chan struct{}, maxStreams),
	}
}
