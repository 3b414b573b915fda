package notify

// Kill ends a Notifier as a crash does: requests under way are cut off and nothing more is noted.
func (n *Notifier) Kill() {
	n.stopTaking()
	n.abort()
	n.loops.Wait()
	n.sending.Wait()
	n.client.CloseIdleConnections()
}
