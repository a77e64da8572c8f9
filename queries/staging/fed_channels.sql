-- Contract channels that a long file feeds. Grain: channel.
create or replace temp table fed_channels as
select channel
from (values ${channels}) as fed (channel)
where channel is not null
