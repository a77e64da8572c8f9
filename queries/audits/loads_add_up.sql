-- Files whose records read are not those loaded, refused and repeated; it must be empty.
select
    source,
    target,
    rows_read,
    loaded,
    refused,
    repeated
from loads
where rows_read <> loaded + refused + repeated
order by source, target
