"""Benches elsewhere: events of stations on their way to the central record, lines to desks.

In: the journal of a station, messages of an MQTT 5 broker. Out: batches, answers, readings of
counters elsewhere. Shared: addresses, topics, payloads, identity, the connection to the broker.
`station` sends, `keeper` commits to the central record and answers, `desk` receives live lines,
`setup` writes a broker's configuration and its certificates.
"""
