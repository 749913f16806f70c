"""What reads a counter of a watch: a thread that owns it, a person, or its station elsewhere."""

from benchwatch.acquire import Acquisition, TypedAcquisition
from benchwatch.relay.desk.relayed_acquisition import RelayedAcquisition

AnyAcquisition = Acquisition | TypedAcquisition | RelayedAcquisition
