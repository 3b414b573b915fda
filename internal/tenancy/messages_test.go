package tenancy

// messages is a row for each message of a client.
var messages = []message{
	{is: "hello", walk: walkHello},     // with a token of a member's
	{is: "follow", walk: walkFollow},   // whoever sees the stream
	{is: "unfollow"},                   // of what is followed; of anything else it does nothing
	{is: "command"},                    // the rows of the three kinds
	{is: "reading", walk: walkReading}, // technicians of the shop
	{is: "beat"},                       // everybody connected
}
