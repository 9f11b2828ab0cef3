"""Parts of requests that are not events, read as the services' own input types."""

from lots.declaration.as_api import part_serializer
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight

WeightSerializer = part_serializer(Weight)
VolumeReadingInput = part_serializer(Volume)
