-- Spellings of ids in one file, what they were taken to mean, and in how many records. Grain: spelling.
insert into file_ids
select
    ${file_no} as file_no,
    places.written,
    places.meant,
    places.nearest,
    cast(${records} as bigint) as records
from ${relation} as texts
inner join places on places.written = ${id_text}
group by all
order by places.written
